-- Readings over years: by device and month, packed once they are a day old, and one a day once they are old.
--
-- Keys begin with the device, and what refers to a slot does so by its device, so that all that is kept of a device can
-- lie in one place. Months are those of UTC.

alter table slot add constraint slot_of_device unique (device_id, id);

alter table reading rename to reading_before;
alter table reading_before rename constraint reading_pkey to reading_before_pkey;
alter table poll_span rename to poll_span_before;
alter table poll_span_before rename constraint poll_span_pkey to poll_span_before_pkey;

create table reading (
    device_id    bigint not null references device on delete cascade,
    slot_id      bigint not null,
    at           timestamptz not null,
    previous_at  timestamptz,
    unit         integer not null,
    max_capacity integer not null,
    level        integer not null,
    primary key (device_id, slot_id, at),
    foreign key (device_id, slot_id) references slot (device_id, id) on delete cascade
) partition by range (at);
comment on table reading is
    'What a slot said, kept where it changed. Between previous_at (the answer before) and at it changed; '
    'every answered poll up to the next reading''s previous_at said the same. Sentinels are kept: -1 other or '
    'no limit, -2 unknown, -3 some left. Those of days that are over are packed (reading_month); reading_all shows both.';

create table poll_span (
    device_id  bigint not null references device on delete cascade,
    started_at timestamptz not null,
    ended_at   timestamptz not null,
    polls      integer not null default 1 check (polls > 0),
    fault      text,
    primary key (device_id, started_at),
    check (started_at <= ended_at)
) partition by range (started_at);
comment on table poll_span is
    'A run of polls with one outcome: answered where fault is null. Coverage without a row a poll.';

create table reading_month (
    device_id   bigint not null references device on delete cascade,
    month       date not null check (extract(day from month) = 1),
    daily       boolean not null default false,
    poll_steps  bigint[] not null,
    slots       bigint[] not null,
    place_steps integer[] not null,
    backs       integer[] not null,
    units       integer[] not null,
    capacities  integer[] not null,
    level_steps integer[] not null,
    primary key (device_id, month),
    check (cardinality(slots) = all (array[cardinality(place_steps), cardinality(backs), cardinality(units),
                                           cardinality(capacities), cardinality(level_steps)]))
) partition by range (month);
comment on table reading_month is
    'The readings of a device in a month, as columns: the nth reading is the nth of each array, by slot and time. What '
    'grows is kept by its steps, which PostgreSQL makes small. reading_unpacked shows them as rows.';
comment on column reading_month.daily is 'Of each slot and day only the last reading is left, and those that brought a unit.';
comment on column reading_month.poll_steps is
    'The polls that readings refer to, earliest first, in microseconds since the one before; the first since the month began.';
comment on column reading_month.place_steps is
    'Which of the polls a reading is of: how many after that of the slot''s reading before; of the first, its place from 1.';
comment on column reading_month.backs is 'How many polls earlier the answer before it was; null where there was none.';
comment on column reading_month.level_steps is
    'How much more the level is than in the slot''s reading before, modulo 2^32; of the first, the level.';

create function as_integer(number bigint) returns integer language sql immutable as $$
    select ((((number + 2147483648) % 4294967296) + 4294967296) % 4294967296 - 2147483648)::integer
$$;
comment on function as_integer(bigint) is 'The integer that is equal to a number modulo 2^32.';

-- How far a slot's readings are one a day, and its follower as it was then: what was worked out up to there stays.
create table slot_base (
    device_id bigint not null,
    slot_id   bigint not null,
    detail_at timestamptz not null,
    seen_at   timestamptz not null,
    state     json not null,
    primary key (device_id, slot_id),
    foreign key (device_id, slot_id) references slot (device_id, id) on delete cascade
);
comment on table slot_base is
    'From detail_at on every reading of the slot is kept; before it one a day. Whoever follows the slot anew begins '
    'with the state, which stood at seen_at, the last reading before detail_at.';

-- What no month is made for is kept all the same, and moved when the month is made.
create table reading_other partition of reading default;
create table poll_span_other partition of poll_span default;
create table reading_month_other partition of reading_month default;

create view reading_unpacked as
    select packed.device_id, packed.month, packed.daily, row.slot_id, polled.at[row.place] as at,
           polled.at[row.place - row.back] as previous_at, row.unit, row.max_capacity, row.level
    from reading_month packed
    -- Summed up once for each month, and not once for each reading.
    cross join lateral (
        select array_agg(packed.month::timestamp at time zone 'UTC' + since * interval '1 microsecond' order by place) as at
        from (
            select place, sum(step) over (order by place rows unbounded preceding) as since
            from unnest(packed.poll_steps) with ordinality as poll (step, place)
        ) poll
        offset 0
    ) polled
    cross join lateral (
        select slot_id, back, unit, max_capacity, (sum(place_step) over slots)::integer as place,
               as_integer((sum(level_step) over slots)::bigint) as level
        from unnest(packed.slots, packed.place_steps, packed.backs, packed.units, packed.capacities, packed.level_steps)
            with ordinality as kept (slot_id, place_step, back, unit, max_capacity, level_step, nth)
        window slots as (partition by slot_id order by nth rows unbounded preceding)
    ) row;
comment on view reading_unpacked is 'The readings of reading_month, one a row. Ask by device and month.';

create view reading_all as
    select device_id, slot_id, at, previous_at, unit, max_capacity, level from reading
    union all
    select device_id, slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked;
comment on view reading_all is 'Every reading that is kept.';

-- Makes the part of a table for a month, if there is none, with what came for it before it was made.
create function make_month(of_table text, column_of_time text, month date) returns boolean language plpgsql as $$
declare
    part   text := format('%s_%s', of_table, to_char(month, 'YYYY_MM'));
    begins text;
    ends   text;
begin
    if to_regclass(part) is not null then
        return false;
    end if;
    if column_of_time = 'month' then
        begins := month::text;
        ends := (month + interval '1 month')::date::text;
    else
        begins := to_char(month, 'YYYY-MM-DD') || ' 00:00:00+00';
        ends := to_char(month + interval '1 month', 'YYYY-MM-DD') || ' 00:00:00+00';
    end if;
    -- In the order of those who write readings, or each would wait for the other.
    lock table device, slot in share row exclusive mode;
    execute format('lock table %I in access exclusive mode', of_table || '_other');
    execute format('create table %I (like %I including all)', part, of_table);
    execute format('with came as (delete from %I where %I >= %L and %I < %L returning *) insert into %I select * from came',
                   of_table || '_other', column_of_time, begins, column_of_time, ends, part);
    execute format('alter table %I attach partition %I for values from (%L) to (%L)', of_table, part, begins, ends);
    return true;
end $$;
comment on function make_month(text, text, date) is
    'Makes the part of reading (at), poll_span (started_at) or reading_month (month) for a month.';

-- Drops the parts of reading for months before one that hold nothing.
create function drop_empty_months(before date) returns integer language plpgsql as $$
declare
    part    text;
    is_full boolean;
    dropped integer := 0;
begin
    for part in
        select relname from pg_inherits join pg_class on pg_class.oid = inhrelid
        where inhparent = 'reading'::regclass and relname ~ '^reading_[0-9]{4}_[0-9]{2}$'
          and to_date(right(relname, 7), 'YYYY_MM') < before
    loop
        execute format('select exists (select from %I)', part) into is_full;
        continue when is_full;
        -- In the order of those who write readings, or each would wait for the other.
        lock table device, slot, reading in access exclusive mode;
        execute format('select exists (select from %I)', part) into is_full;
        continue when is_full;
        execute format('drop table %I', part);
        dropped := dropped + 1;
    end loop;
    return dropped;
end $$;

-- Packs the readings of a device's month from before a moment. With a zone, all but the last of each slot and day of that zone go; those
-- that brought a unit stay, and so does everything of slots whose follower of the month's end is not kept.
create function pack_readings(device bigint, of_month date, before timestamptz, day_zone text) returns void language plpgsql as $$
declare
    begins timestamptz := of_month::timestamp at time zone 'UTC';
    ends   timestamptz := (of_month + interval '1 month') at time zone 'UTC';
begin
    with gone as (
        delete from reading where device_id = device and at >= begins and at < least(ends, before) returning *
    ), came as (
        select slot_id, at, previous_at, unit, max_capacity, level from gone
        union all
        select slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked
        where device_id = device and month = of_month
    ), kept as (
        select * from came
        where day_zone is null
           or exists (select from install where install.slot_id = came.slot_id and from_at = came.at)
           or not exists (select from slot_base where slot_base.device_id = device and slot_base.slot_id = came.slot_id
                          and detail_at >= ends)
           or not exists (select from came later where later.slot_id = came.slot_id and later.at > came.at
                          and (later.at at time zone day_zone)::date = (came.at at time zone day_zone)::date)
    ), polled as (
        select at, row_number() over (order by at)::integer as place, at - coalesce(lag(at) over (order by at), begins) as step
        from (select at from kept union select previous_at from kept where previous_at is not null) every
    ), placed as (
        select slot_id, kept.at, unit, max_capacity, now.place - before.place as back,
               now.place - coalesce(lag(now.place) over slots, 0) as place_step,
               as_integer(level::bigint - coalesce(lag(level) over slots, 0)) as level_step
        from kept join polled now on now.at = kept.at left join polled before on before.at = kept.previous_at
        window slots as (partition by slot_id order by kept.at)
    ), packed as (
        select array_agg(slot_id order by slot_id, at) as slots, array_agg(place_step order by slot_id, at) as place_steps,
               array_agg(back order by slot_id, at) as backs, array_agg(unit order by slot_id, at) as units,
               array_agg(max_capacity order by slot_id, at) as capacities,
               array_agg(level_step order by slot_id, at) as level_steps
        from placed
    ), polls as (
        select array_agg((extract(epoch from step) * 1000000)::bigint order by place) as poll_steps from polled
    )
    insert into reading_month as month (device_id, month, daily, poll_steps, slots, place_steps, backs, units, capacities,
                                        level_steps)
    select device, of_month, day_zone is not null, poll_steps, slots, place_steps, backs, units, capacities, level_steps
    from packed, polls where slots is not null
    on conflict (device_id, month) do update
        set daily = excluded.daily, poll_steps = excluded.poll_steps, slots = excluded.slots,
            place_steps = excluded.place_steps, backs = excluded.backs, units = excluded.units,
            capacities = excluded.capacities, level_steps = excluded.level_steps;
end $$;

-- The last reading of a slot at or before a moment.
create function reading_before(device bigint, slot bigint, moment timestamptz)
returns table (at timestamptz, previous_at timestamptz, unit integer, max_capacity integer, level integer)
language plpgsql stable as $$
declare
    packed date;
begin
    return query
        select r.at, r.previous_at, r.unit, r.max_capacity, r.level from reading r
        where r.device_id = device and r.slot_id = slot and r.at <= moment order by r.at desc limit 1;
    if found then
        return;
    end if;
    for packed in select m.month from reading_month m
                  where m.device_id = device and m.month <= (moment at time zone 'UTC')::date order by m.month desc loop
        return query
            select r.at, r.previous_at, r.unit, r.max_capacity, r.level from reading_unpacked r
            where r.device_id = device and r.month = packed and r.slot_id = slot and r.at <= moment
            order by r.at desc limit 1;
        exit when found;
    end loop;
end $$;

alter table device add column run_started_at timestamptz;
alter table device add column first_answer_at timestamptz;
comment on column device.run_started_at is 'The beginning of the latest run of polls: the key of its row in poll_span.';
comment on column device.first_answer_at is 'The first poll that was answered, as far back as readings go.';
update device set run_started_at = (select max(started_at) from poll_span_before where device_id = device.id),
    first_answer_at = (select min(started_at) from poll_span_before where device_id = device.id and fault is null);

select make_month('reading', 'at', month) from (
    select distinct date_trunc('month', at at time zone 'UTC')::date as month from reading_before
    union select (date_trunc('month', now() at time zone 'UTC') + n * interval '1 month')::date from generate_series(0, 2) n
) months order by month;
select make_month('poll_span', 'started_at', month) from (
    select distinct date_trunc('month', started_at at time zone 'UTC')::date as month from poll_span_before
    union select (date_trunc('month', now() at time zone 'UTC') + n * interval '1 month')::date from generate_series(0, 2) n
) months order by month;

insert into poll_span (device_id, started_at, ended_at, polls, fault)
    select device_id, started_at, ended_at, polls, fault from poll_span_before;
insert into reading (device_id, slot_id, at, previous_at, unit, max_capacity, level)
    select device_id, slot_id, at, previous_at, kept.unit, kept.max_capacity, kept.level
    from reading_before kept join slot on slot.id = kept.slot_id;
drop table reading_before;
drop table poll_span_before;

-- The ledger: a row for each unit and month, and in it a day after the other.
alter table ledger_day rename to ledger_day_before;
create table ledger_month (
    slot_id    bigint not null references slot on delete cascade,
    month      date not null check (extract(day from month) = 1),
    install_id bigint not null references install on delete cascade,
    days       smallint[] not null check (cardinality(days) > 0),
    used       double precision[] not null check (0 <= all(used)),
    spread     double precision[] check (0 <= all(spread)),
    unseen     double precision[] check (0 <= all(unseen)),
    primary key (slot_id, month, install_id),
    check (cardinality(used) = cardinality(days) and cardinality(spread) = cardinality(days)
           and cardinality(unseen) = cardinality(days))
);
create index ledger_month_by_install on ledger_month (install_id);
create index ledger_month_by_month on ledger_month (month);
comment on table ledger_month is
    'What went from a slot on the days of a month while a unit was in: the nth day is the nth of each array. ledger_day '
    'shows it a day a row.';
comment on column ledger_month.days is 'Days of the month, earliest first.';
comment on column ledger_month.spread is 'The part of used that fell into a gap; null where it is nothing on any day.';
comment on column ledger_month.unseen is
    'A bound on what may have gone besides around a swap that nobody saw; null where it is nothing on any day.';

create view ledger_day as
    select slot_id, month, install_id, month + (row.day - 1) as day, row.used, coalesce(row.spread, 0) as spread,
           coalesce(row.unseen, 0) as unseen
    from ledger_month cross join lateral unnest(days, ledger_month.used, ledger_month.spread, ledger_month.unseen)
        as row (day, used, spread, unseen);
comment on view ledger_day is
    'What went from a slot on a day. spread is the part of used that fell into a gap; unseen is a bound on what '
    'may have gone besides around a swap that nobody saw. Ask by slot, or by month.';

insert into ledger_month (slot_id, month, install_id, days, used, spread, unseen)
    select slot_id, date_trunc('month', day)::date as month, install_id,
           array_agg(extract(day from day)::smallint order by day), array_agg(used order by day),
           case when bool_or(spread <> 0) then array_agg(spread order by day) end,
           case when bool_or(unseen <> 0) then array_agg(unseen order by day) end
    from ledger_day_before group by slot_id, date_trunc('month', day), install_id;
drop table ledger_day_before;

-- Both the report of a month and what changed in closed ones are sums of this.
create or replace function slot_months(months date[], begins timestamptz[], ends timestamptz[])
returns table (
    month date, slot_id bigint, used double precision, spread double precision, unseen double precision,
    swaps bigint, left_in_swapped double precision
)
language sql stable as $$
    with edge as (
        select * from unnest(months, begins, ends) as edge (month, begins, ends)
    ), gone as (
        select edge.month, days.slot_id, sum(days.used order by day, install_id) as used,
               sum(days.spread order by day, install_id) as spread,
               sum(days.unseen order by day, install_id) as unseen
        from edge join ledger_day days on days.month = edge.month
        group by edge.month, days.slot_id
    ), swapped as (
        select edge.month, new.slot_id, count(*) as swaps, sum(old.end_left order by new.from_at) as left_in_swapped
        from edge join install new on new.from_at >= edge.begins and new.from_at < edge.ends
        left join lateral (
            select end_left from install before
            where before.slot_id = new.slot_id and before.from_at < new.from_at
            order by before.from_at desc limit 1
        ) old on true
        where new.arrival <> 'found'
        group by edge.month, new.slot_id
    )
    select coalesce(gone.month, swapped.month), coalesce(gone.slot_id, swapped.slot_id), coalesce(gone.used, 0),
           coalesce(gone.spread, 0), coalesce(gone.unseen, 0), coalesce(swapped.swaps, 0),
           coalesce(swapped.left_in_swapped, 0)
    from gone full join swapped on swapped.month = gone.month and swapped.slot_id = gone.slot_id
$$;
