alter table outlook_day drop column recent_use;
