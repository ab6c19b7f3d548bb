-- What changed since somebody last looked: alerts that cleared, units that went in, and what the shelf booked.

create index alert_by_clearing on alert (cleared_at) where cleared_at is not null;
create index install_by_start on install (from_at);
create index movement_by_time on movement (at);
