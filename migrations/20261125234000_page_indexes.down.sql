drop index movement_by_slot;
drop index alert_by_change;
drop index alert_by_device;
