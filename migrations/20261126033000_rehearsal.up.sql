-- What alert rules went by and was kept nowhere: so that what a rule would have told in the past can be worked out.
--
-- All of it is kept from now on. Whoever asks is told since when.

create table device_errors (
    device_id bigint not null references device on delete cascade,
    at        timestamptz not null,
    bits      integer not null,
    primary key (device_id, at)
);
comment on table device_errors is
    'What a device detected (hrPrinterDetectedErrorState of RFC 2790), from the answer on that said so first.';

create table slot_gap (
    slot_id bigint not null references slot on delete cascade,
    from_at timestamptz not null,
    to_at   timestamptz not null,
    primary key (slot_id, from_at),
    check (from_at < to_at)
);
comment on table slot_gap is
    'From when to when a slot was missing from answers of its device, once it stood in one again. Silences of the '
    'device are in poll_span.';

create table order_day (
    slot_id bigint not null references slot on delete cascade,
    due     date not null,
    from_at timestamptz not null,
    to_at   timestamptz,
    primary key (slot_id, from_at)
);
create unique index order_day_standing on order_day (slot_id) where to_at is null;
comment on table order_day is
    'The day by which the next unit for a slot was to be ordered, from when to when that was said.';

create table kept_since (
    what text primary key check (what <> ''),
    at   timestamptz not null
);
comment on table kept_since is 'Since when something is kept of which a missing row tells something too.';

alter table outlook_day
    add column daily_use double precision,
    add column capacity  double precision;
comment on column outlook_day.daily_use is
    'Use per day that the forecast went by, in the measure; null where it was not kept yet, or not known.';
