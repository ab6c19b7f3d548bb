drop table message_file;
delete from message where recipient_id is null;
drop index message_report_once;
alter table message
    drop constraint message_says_something,
    drop constraint message_is_to_somebody,
    drop column report_month,
    drop column address,
    alter column recipient_id set not null;
