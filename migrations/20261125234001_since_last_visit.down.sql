drop index movement_by_time;
drop index install_by_start;
drop index alert_by_clearing;
