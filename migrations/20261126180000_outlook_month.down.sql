drop view outlook_day;
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
    select slot_id, month + row.day - 1, (month + row.day - 1)::timestamp at time zone 'UTC', measure, row.to_use,
           month + row.day - 1 + row.early, month + row.day - 1 + row.middle, month + row.day - 1 + row.late,
           row.daily_use, row.capacity, row.recent_use
    from outlook_month kept
    cross join lateral unnest(kept.days, kept.to_use, kept.early, kept.middle, kept.late, kept.daily_use, kept.capacity,
                              kept.recent_use)
        as row (day, to_use, early, middle, late, daily_use, capacity, recent_use)
    on conflict do nothing;
drop table outlook_month;
drop function picked(anyarray, integer[]);
drop function none_above(smallint[], smallint[]);
