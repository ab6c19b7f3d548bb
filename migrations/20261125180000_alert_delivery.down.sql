drop table feed, notice, message, route, recipient, alert_rule, alert_waiting;
drop index alert_open;
delete from alert where device_id is null or head_place is not null;
alter table alert
    drop column part_id, drop column head_place, drop column severity, drop column folded, drop column told_at,
    drop column seen_at, drop column seen_by, drop column note, drop column snoozed_until;
alter table alert alter column device_id set not null;
create unique index alert_open on alert (rule, device_id, coalesce(slot_id, 0)) where cleared_at is null;
