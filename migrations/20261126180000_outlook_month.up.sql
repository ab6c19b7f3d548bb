-- What was forecast, a row for each supply and month as the ledger is: a row a day was mostly its own head and indexes.

create function ascending(ends smallint[]) returns boolean language sql immutable as $$
    select coalesce(bool_and(ends[n][1] <= ends[n][2] and ends[n][2] <= ends[n][3]), true)
    from generate_subscripts(ends, 1) as n
$$;
comment on function ascending(smallint[]) is 'Whether no row of three goes down.';

create table outlook_month (
    device_id  bigint not null,
    slot_id    bigint not null,
    month      date not null check (extract(day from month) = 1),
    measure    text not null,
    days       smallint[] not null check (cardinality(days) > 0),
    to_use     double precision[] not null check (0 <= all(to_use)),
    ends       smallint[] not null check (ascending(ends)),
    paces      real[] not null,
    last_late  date not null,
    primary key (device_id, slot_id, month, measure),
    foreign key (device_id, slot_id) references slot (device_id, id) on delete cascade,
    check (cardinality(days) = cardinality(to_use)),
    check ((array_length(ends, 1), array_length(ends, 2)) = (cardinality(days), 3)),
    check ((array_length(paces, 1), array_length(paces, 2)) = (cardinality(days), 3))
);
create index outlook_month_by_late on outlook_month (last_late);
comment on table outlook_month is
    'The first forecast of each day of a supply whose machine answered on it: the nth is the nth of each array. '
    'outlook_day shows them as rows. Months that are over for two keep the first of each week, and rows go after some years.';
comment on column outlook_month.days is 'Days of the month, earliest first.';
comment on column outlook_month.to_use is
    'What has to be used from the beginning of the day on until the supply ends, in the measure.';
comment on column outlook_month.ends is 'A row of three for each: days from the day to the early, the middle and the late one.';
comment on column outlook_month.paces is
    'A row of three for each, in the measure: use per day that the forecast went by; what the unit held; use per day over '
    'the seven days before, as it was known then. Null where it was not kept yet, or not known.';
comment on column outlook_month.last_late is 'The latest of the late days.';

insert into outlook_month (device_id, slot_id, month, measure, days, to_use, ends, paces, last_late)
    select device_id, slot_id, date_trunc('month', day)::date as month, measure,
           array_agg(extract(day from day)::smallint order by day), array_agg(to_use order by day),
           array_agg(array[early - day, middle - day, late - day]::smallint[] order by day),
           array_agg(array[daily_use, capacity, recent_use]::real[] order by day), max(late)
    from outlook_day join slot on slot.id = slot_id
    group by device_id, slot_id, date_trunc('month', day), measure;
drop table outlook_day;

create view outlook_day as
    select device_id, slot_id, month, last_late, measure, month + row.day - 1 as day, row.to_use,
           month + row.day - 1 + ends[row.nth::integer][1] as early, month + row.day - 1 + ends[row.nth::integer][2] as middle,
           month + row.day - 1 + ends[row.nth::integer][3] as late, paces[row.nth::integer][1]::double precision as daily_use,
           paces[row.nth::integer][2]::double precision as capacity,
           paces[row.nth::integer][3]::double precision as recent_use
    from outlook_month kept
    cross join lateral unnest(kept.days, kept.to_use) with ordinality as row (day, to_use, nth);
comment on view outlook_day is
    'The first forecast of each day of a supply. Ask by device and slot, or by month or last_late.';
