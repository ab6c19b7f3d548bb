drop view marker_day;
create table marker_day (
    device_id    bigint not null references device on delete cascade,
    marker_index integer not null,
    day          date not null,
    counter_unit integer,
    first_count  bigint not null,
    last_count   bigint not null,
    primary key (device_id, marker_index, day)
);
comment on table marker_day is 'The first and last life count seen on a day.';
insert into marker_day (device_id, marker_index, day, counter_unit, first_count, last_count)
    select device_id, marker_index, month + row.day - 1, counter_unit, row.first_count, row.last_count
    from marker_month kept
    cross join lateral unnest(kept.days, kept.first_counts, kept.last_counts) as row (day, first_count, last_count);
drop table marker_month;
