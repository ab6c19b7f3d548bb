create table ledger_day_before (
    slot_id    bigint not null references slot on delete cascade,
    day        date not null,
    install_id bigint not null references install on delete cascade,
    used       double precision not null check (used >= 0),
    spread     double precision not null check (spread >= 0),
    unseen     double precision not null check (unseen >= 0),
    primary key (slot_id, day, install_id)
);
insert into ledger_day_before (slot_id, day, install_id, used, spread, unseen)
    select slot_id, day, install_id, used, spread, unseen from ledger_day;
drop view ledger_day;
drop table ledger_month;
alter table ledger_day_before rename to ledger_day;
alter table ledger_day rename constraint ledger_day_before_pkey to ledger_day_pkey;
create index ledger_day_by_day on ledger_day (day);
create index ledger_day_by_install on ledger_day (install_id);
comment on table ledger_day is
    'What went from a slot on a day. spread is the part of used that fell into a gap; unseen is a bound on what '
    'may have gone besides around a swap that nobody saw.';
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
        from edge join ledger_day days on day >= edge.month and day < edge.month + interval '1 month'
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

drop function reading_before(bigint, bigint, timestamptz);
drop function pack_readings(bigint, date, timestamptz, text);
drop function drop_empty_months(date);
drop function make_month(text, text, date);

create table reading_before (
    slot_id      bigint not null references slot on delete cascade,
    at           timestamptz not null,
    previous_at  timestamptz,
    unit         integer not null,
    max_capacity integer not null,
    level        integer not null,
    primary key (slot_id, at)
);
insert into reading_before (slot_id, at, previous_at, unit, max_capacity, level)
    select slot_id, at, previous_at, unit, max_capacity, level from reading_all;
create table poll_span_before (
    device_id  bigint not null references device on delete cascade,
    started_at timestamptz not null,
    ended_at   timestamptz not null,
    polls      integer not null default 1 check (polls > 0),
    fault      text,
    primary key (device_id, started_at),
    check (started_at <= ended_at)
);
insert into poll_span_before (device_id, started_at, ended_at, polls, fault)
    select device_id, started_at, ended_at, polls, fault from poll_span;

drop view reading_all;
drop view reading_unpacked;
drop table reading_month;
drop function as_integer(bigint);
drop table reading;
drop table poll_span;
alter table reading_before rename to reading;
alter table reading rename constraint reading_before_pkey to reading_pkey;
alter table reading rename constraint reading_before_slot_id_fkey to reading_slot_id_fkey;
comment on table reading is
    'What a slot said, kept where it changed. Between previous_at (the answer before) and at it changed; '
    'every answered poll up to the next reading''s previous_at said the same. Sentinels are kept: -1 other or '
    'no limit, -2 unknown, -3 some left.';
alter table poll_span_before rename to poll_span;
alter table poll_span rename constraint poll_span_before_pkey to poll_span_pkey;
alter table poll_span rename constraint poll_span_before_device_id_fkey to poll_span_device_id_fkey;
comment on table poll_span is
    'A run of polls with one outcome: answered where fault is null. Coverage without a row a poll.';

drop table slot_base;
alter table device drop column run_started_at;
alter table device drop column first_answer_at;
alter table slot drop constraint slot_of_device;
