alter table outlook drop column basis;
drop table outlook_day;
