-- Months that were closed: the report as it was handed in, and its figures row by row.
--
-- What changes afterwards in a closed month does not change these rows. It is told in the report of a later
-- month, as the difference to them, and kept here again when that month is closed.

create table month_close (
    month     date primary key check (extract(day from month) = 1),
    closed_at timestamptz not null,
    who       text not null check (who = btrim(who) and who <> ''),
    document  text not null,
    sha256    text not null check (sha256 = encode(sha256(convert_to(document, 'UTF8')), 'hex'))
);
comment on table month_close is 'A month''s supply report as it was when somebody closed the month.';
comment on column month_close.document is 'The report as JSON, byte for byte as it can be downloaded; sha256 is of these bytes.';

create table month_close_supply (
    month           date not null references month_close,
    slot_id         bigint not null references slot,
    measure         text not null,
    used            double precision not null,
    spread          double precision not null,
    unseen          double precision not null,
    swaps           integer not null,
    left_in_swapped double precision not null,
    cost_minor      bigint,
    currency        text,
    primary key (month, slot_id),
    check ((cost_minor is null) = (currency is null))
);
comment on table month_close_supply is 'The figures of a closed month''s supplies, as in its document.';

create table month_close_adjustment (
    month           date not null references month_close,
    about           date not null references month_close,
    slot_id         bigint not null references slot,
    used            double precision not null,
    spread          double precision not null,
    unseen          double precision not null,
    swaps           integer not null,
    left_in_swapped double precision not null,
    primary key (month, about, slot_id),
    check (about < month)
);
comment on table month_close_adjustment is
    'What had changed in earlier closed months (about) when a month was closed, as in its document.';

create function month_close_is_kept() returns trigger language plpgsql as $$
begin
    raise exception 'a closed month is not changed; what changed since is told in a later one'
        using errcode = 'check_violation', table = 'month_close', constraint = 'month_close_append_only';
end $$;
create trigger month_close_is_kept before update or delete on month_close
    for each row execute function month_close_is_kept();
create trigger month_close_is_kept before update or delete on month_close_supply
    for each row execute function month_close_is_kept();
create trigger month_close_is_kept before update or delete on month_close_adjustment
    for each row execute function month_close_is_kept();
create trigger month_close_is_not_emptied before truncate on month_close
    for each statement execute function month_close_is_kept();
create trigger month_close_is_not_emptied before truncate on month_close_supply
    for each statement execute function month_close_is_kept();
create trigger month_close_is_not_emptied before truncate on month_close_adjustment
    for each statement execute function month_close_is_kept();

-- Both the report of a month and what changed in closed ones are sums of this.
create function slot_months(months date[], begins timestamptz[], ends timestamptz[])
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
comment on function slot_months(date[], timestamptz[], timestamptz[]) is
    'What each slot did in months, given by their first days and their edges in the site''s zone.';
