-- Print heads: how ink runs through them, which are in and which were, and what has gone through each. And when
-- machines had power, as far as they tell.
--
-- Days are the site's civil days; ink is in millilitres.

create table plumbing (
    model  text not null check (model <> ''),
    head   integer not null check (head between 1 and 64),
    colour text not null check (colour <> ''),
    share  double precision not null check (share > 0 and share <= 1),
    primary key (model, head, colour)
);
comment on table plumbing is
    'What a person wrote of how a model''s colours run through its heads. The shares of a colour add up to 1. A '
    'model without rows has the usual map, or none.';

create table head (
    id             bigint generated always as identity primary key,
    device_id      bigint not null references device on delete cascade,
    position       integer not null check (position between 1 and 64),
    part_id        bigint references part,
    in_on          date not null,
    out_on         date check (out_on > in_on),
    warranty_until date,
    limit_ml       double precision not null check (limit_ml > 0),
    before_ml      double precision not null default 0 check (before_ml >= 0),
    booked_at      timestamptz not null,
    who            text not null check (who <> ''),
    why            text not null,
    unique (device_id, position, in_on)
);
create unique index head_current on head (device_id, position) where out_on is null;
comment on table head is
    'Print heads that are in a machine, and those that were. Ink counts from the day a head went in up to the '
    'day before it came out.';
comment on column head.warranty_until is 'The date stamped on it; null where none can be read.';
comment on column head.limit_ml is 'Ink after which its warranty ends, if its date does not come first.';
comment on column head.before_ml is 'Ink that had gone through it before the machine was watched.';

-- Two heads are never in one place on one day.
create function head_keeps_turns() returns trigger language plpgsql as $$
begin
    perform 1 from device where id = new.device_id for update;
    if exists (select 1 from head
               where device_id = new.device_id and position = new.position and id <> new.id
                 and in_on < coalesce(new.out_on, 'infinity') and new.in_on < coalesce(out_on, 'infinity')) then
        raise exception 'another head is in place % of device % at that time', new.position, new.device_id
            using errcode = 'check_violation', table = 'head', constraint = 'head_place_taken';
    end if;
    return new;
end $$;
create trigger head_keeps_turns before insert or update on head
    for each row execute function head_keeps_turns();

create table head_outlook (
    head_id  bigint primary key references head on delete cascade,
    made_at  timestamptz not null,
    ml       double precision check (ml >= 0),
    daily_ml double precision,
    early    date,
    middle   date,
    late     date,
    not_yet  text,
    check ((early is null) = (not_yet is not null)),
    check ((early is null) = (middle is null) and (early is null) = (late is null))
);
comment on table head_outlook is
    'What has gone through a head, and when that reaches its limit, as last worked out; ml is null where no map '
    'says which ink runs through it.';

create table power_run (
    device_id  bigint not null references device on delete cascade,
    started_at timestamptz not null,
    ended_at   timestamptz not null,
    asleep     boolean,
    up_since   timestamptz,
    primary key (device_id, started_at),
    check (started_at <= ended_at)
);
comment on table power_run is
    'A run of answered polls at which a machine was awake, or asleep (null where it does not tell), with the '
    'start of its agent as it was told first.';
