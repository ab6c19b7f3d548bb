-- What pages of a large room look up: the alerts of one machine, cleared alerts page by page, and what was issued to
-- one slot.

create index alert_by_device on alert (device_id) where device_id is not null;
create index alert_by_change on alert (coalesce(cleared_at, opened_at) desc, id desc);
create index movement_by_slot on movement (slot_id) where slot_id is not null;
