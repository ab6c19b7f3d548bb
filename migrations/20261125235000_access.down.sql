drop trigger kept on credential;
drop trigger kept on device;
drop trigger kept on part;
drop trigger kept on plumbing;
drop trigger kept on head;
drop trigger kept on polarity_pin;
drop trigger kept on answer;
drop trigger kept on fitted;
drop trigger kept on lot;
drop trigger kept on alert_rule;
drop trigger kept on recipient;
drop trigger kept on route;
drop trigger kept on supply_order_step;
drop trigger kept on movement;
drop trigger kept on month_close;
drop trigger kept on feed;

drop table change, entry_try, access_token, session, entry_link, person;
drop function keep_change, refuse_unkeeping;
