-- Life counts, a row for each marker and month, as the ledger and forecasts are.
create table marker_month (
    device_id    bigint not null references device on delete cascade,
    marker_index integer not null,
    month        date not null check (extract(day from month) = 1),
    counter_unit integer,
    days         smallint[] not null check (cardinality(days) > 0),
    first_counts bigint[] not null,
    last_counts  bigint[] not null,
    primary key (device_id, marker_index, month),
    check (cardinality(days) = all (array[cardinality(first_counts), cardinality(last_counts)]))
);
comment on table marker_month is
    'The first and last life count seen on each day of a month: the nth is the nth of each array. marker_day shows them as rows.';
comment on column marker_month.days is 'Days of the month, earliest first.';

insert into marker_month (device_id, marker_index, month, counter_unit, days, first_counts, last_counts)
    select device_id, marker_index, date_trunc('month', day)::date as month, (array_agg(counter_unit order by day desc))[1],
           array_agg(extract(day from day)::smallint order by day), array_agg(first_count order by day),
           array_agg(last_count order by day)
    from marker_day group by device_id, marker_index, date_trunc('month', day);
drop table marker_day;

create view marker_day as
    select device_id, marker_index, month, month + row.day - 1 as day, counter_unit, row.first_count, row.last_count
    from marker_month kept
    cross join lateral unnest(kept.days, kept.first_counts, kept.last_counts) as row (day, first_count, last_count);
comment on view marker_day is 'The first and last life count seen on a day. Ask by device, or by month.';
