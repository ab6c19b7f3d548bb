alter table outlook_day drop column daily_use, drop column capacity;
drop table kept_since;
drop table order_day;
drop table slot_gap;
drop table device_errors;
