drop table device_ask;
drop table device_lease;
drop table poller;
