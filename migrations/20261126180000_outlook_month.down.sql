alter view outlook_day rename to outlook_day_after;
create table outlook_day (
    slot_id    bigint not null references slot on delete cascade,
    day        date not null,
    as_of      timestamptz not null,
    measure    text not null,
    to_use     double precision not null check (to_use >= 0),
    early      date not null,
    middle     date not null,
    late       date not null,
    daily_use  double precision,
    capacity   double precision,
    recent_use double precision,
    primary key (slot_id, day),
    check (early <= middle and middle <= late)
);
create index outlook_day_by_late on outlook_day (late);
-- When a forecast was made is not kept any more: it was the first of its day.
insert into outlook_day (slot_id, day, as_of, measure, to_use, early, middle, late, daily_use, capacity, recent_use)
    select slot_id, day, day::timestamp at time zone 'UTC', measure, to_use, early, middle, late, daily_use, capacity, recent_use
    from outlook_day_after
    on conflict do nothing;
drop view outlook_day_after;
drop table outlook_month;
drop function ascending(smallint[]);
