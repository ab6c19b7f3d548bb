-- What was forecast, a row for each supply and month as the ledger is: a row a day was mostly its own head and indexes.

create function none_above(ones smallint[], others smallint[]) returns boolean language sql immutable as $$
    select coalesce(bool_and(one <= other), true) from unnest(ones, others) as pair (one, other)
$$;
comment on function none_above(smallint[], smallint[]) is 'Whether each of the ones is at most the other in its place.';

create table outlook_month (
    device_id  bigint not null,
    slot_id    bigint not null,
    month      date not null check (extract(day from month) = 1),
    measure    text not null,
    days       smallint[] not null check (cardinality(days) > 0),
    to_use     double precision[] not null check (0 <= all(to_use)),
    early      smallint[] not null,
    middle     smallint[] not null check (none_above(early, middle)),
    late       smallint[] not null check (none_above(middle, late)),
    daily_use  real[] not null,
    capacity   real[] not null,
    recent_use real[] not null,
    last_late  date not null,
    primary key (device_id, slot_id, month, measure),
    foreign key (device_id, slot_id) references slot (device_id, id) on delete cascade,
    check (cardinality(days) = all (array[cardinality(to_use), cardinality(early), cardinality(middle), cardinality(late),
                                          cardinality(daily_use), cardinality(capacity), cardinality(recent_use)]))
);
create index outlook_month_by_late on outlook_month (last_late);
comment on table outlook_month is
    'The first forecast of each day of a supply whose machine answered on it: the nth is the nth of each array. '
    'outlook_day shows them as rows. Months that are over for two keep the first of each week, and rows go after some years.';
comment on column outlook_month.days is 'Days of the month, earliest first.';
comment on column outlook_month.to_use is
    'What has to be used from the beginning of the day on until the supply ends, in the measure.';
comment on column outlook_month.early is 'Days from the day to the early one; middle and late alike.';
comment on column outlook_month.daily_use is
    'Use per day that the forecast went by, in the measure; null where it was not kept yet, or not known.';
comment on column outlook_month.recent_use is
    'Use per day over the seven days before, as it was known when the forecast was made, in the measure; null where it '
    'was not kept yet.';
comment on column outlook_month.last_late is 'The latest of the late days.';

insert into outlook_month (device_id, slot_id, month, measure, days, to_use, early, middle, late, daily_use, capacity,
                           recent_use, last_late)
    select device_id, slot_id, date_trunc('month', day)::date as month, measure,
           array_agg(extract(day from day)::smallint order by day), array_agg(to_use order by day),
           array_agg((early - day)::smallint order by day), array_agg((middle - day)::smallint order by day),
           array_agg((late - day)::smallint order by day), array_agg(daily_use::real order by day),
           array_agg(capacity::real order by day), array_agg(recent_use::real order by day), max(late)
    from outlook_day join slot on slot.id = slot_id
    group by device_id, slot_id, date_trunc('month', day), measure;
drop table outlook_day;

create view outlook_day as
    select device_id, slot_id, month, last_late, measure, month + row.day - 1 as day, row.to_use,
           month + row.day - 1 + row.early as early, month + row.day - 1 + row.middle as middle,
           month + row.day - 1 + row.late as late, row.daily_use::double precision as daily_use,
           row.capacity::double precision as capacity, row.recent_use::double precision as recent_use
    from outlook_month kept
    cross join lateral unnest(kept.days, kept.to_use, kept.early, kept.middle, kept.late, kept.daily_use, kept.capacity,
                              kept.recent_use)
        as row (day, to_use, early, middle, late, daily_use, capacity, recent_use);
comment on view outlook_day is
    'The first forecast of each day of a supply. Ask by device and slot, or by month or last_late.';

-- The elements of an array in some places, in their order.
create function picked(among anyarray, places integer[]) returns anyarray language sql immutable as $$
    select array_agg(among[place] order by nth) from unnest(places) with ordinality as wanted (place, nth)
$$;
