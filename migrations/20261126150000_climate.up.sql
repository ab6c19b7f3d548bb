-- The air around machines that have sensors for it and say so: the latest report of each.

create table device_climate (
    device_id        bigint primary key references device on delete cascade,
    at               timestamptz not null,
    celsius          double precision,
    humidity_percent double precision check (humidity_percent between 0 and 100),
    constraint device_climate_tells check (celsius is not null or humidity_percent is not null)
);
comment on table device_climate is
    'What a device''s sensors (RFC 3433, entPhySensorTable) last said: of each kind the first by its index that was in '
    'order. A device that reports none has no row.';
