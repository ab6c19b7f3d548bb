-- The print room: who is watched, what they said, and what was made of it.
--
-- Instants are timestamptz in UTC; days are the site's civil days. Amounts are double precision in the slot's
-- measure and are never rounded. Numbers of the standard (RFC 3805, RFC 2790) are stored as they came.

create table site (
    id        bigint generated always as identity primary key,
    name      text not null unique check (name <> ''),
    time_zone text not null
);
comment on table site is 'A print room; its zone decides where its days begin and end.';

create table credential (
    id                bigint generated always as identity primary key,
    name              text not null unique check (name <> ''),
    version           text not null check (version in ('v1', 'v2c', 'v3')),
    community         text,
    user_name         text,
    auth_protocol     text,
    auth_password     text,
    privacy_protocol  text,
    privacy_password  text,
    check ((version = 'v3') = (community is null) and (version = 'v3') = (user_name is not null)),
    check ((auth_protocol is null) = (auth_password is null)),
    check ((privacy_protocol is null) = (privacy_password is null)),
    check (privacy_protocol is null or auth_protocol is not null)
);
comment on table credential is 'How a device is asked over SNMP. Passwords are only ever read by the poller.';

create table device (
    id              bigint generated always as identity primary key,
    site_id         bigint not null references site,
    credential_id   bigint not null references credential,
    name            text not null unique check (name <> ''),
    host            text not null check (host <> ''),
    port            integer not null default 161 check (port between 1 and 65535),
    cost_centre     text,
    poll_every_s    integer not null default 900 check (poll_every_s between 10 and 86400),
    added_at        timestamptz not null,
    retired_at      timestamptz,
    -- The last poll, and the last that was answered.
    last_poll_at    timestamptz,
    last_answer_at  timestamptz,
    fault           text,
    failures        integer not null default 0,
    -- What the last answer said of the device itself.
    model           text,
    description     text,
    object_id       text,
    system_name     text,
    location        text,
    printer_name    text,
    serial          text,
    device_status   integer,
    printer_status  integer,
    detected_errors integer not null default 0,
    up_since        timestamptz,
    unique (host, port)
);
comment on column device.fault is 'Why the last poll failed; null when it was answered.';
comment on column device.failures is 'Polls failed since the last answer.';

create table poll_span (
    device_id  bigint not null references device on delete cascade,
    started_at timestamptz not null,
    ended_at   timestamptz not null,
    polls      integer not null default 1 check (polls > 0),
    fault      text,
    primary key (device_id, started_at),
    check (started_at <= ended_at)
);
comment on table poll_span is
    'A run of polls with one outcome: answered where fault is null. Coverage without a row a poll.';

create table slot (
    id           bigint generated always as identity primary key,
    device_id    bigint not null references device on delete cascade,
    supply_index integer not null,
    marker       integer not null,
    class        integer not null,
    kind         integer not null,
    colorant     text,
    description  text not null,
    unit         integer not null,
    max_capacity integer not null,
    level        integer not null,
    changed_at   timestamptz not null,
    seen_at      timestamptz not null,
    digested_to  timestamptz,
    unique (device_id, supply_index)
);
comment on table slot is 'The place a supply sits in, with its last reading as it came.';
comment on column slot.digested_to is 'The last level that the alert rules have walked over.';

create table reading (
    slot_id      bigint not null references slot on delete cascade,
    at           timestamptz not null,
    previous_at  timestamptz,
    unit         integer not null,
    max_capacity integer not null,
    level        integer not null,
    primary key (slot_id, at)
);
comment on table reading is
    'What a slot said, kept where it changed. Between previous_at (the answer before) and at it changed; '
    'every answered poll up to the next reading''s previous_at said the same. Sentinels are kept: -1 other or '
    'no limit, -2 unknown, -3 some left.';

create table install (
    id         bigint generated always as identity primary key,
    slot_id    bigint not null references slot on delete cascade,
    from_at    timestamptz not null,
    to_at      timestamptz,
    arrival    text not null check (arrival in ('found', 'risen', 'resized', 'fallen')),
    measure    text not null,
    capacity   double precision,
    start_left double precision not null,
    end_left   double precision not null,
    unique (slot_id, from_at)
);
create unique index install_current on install (slot_id) where to_at is null;
comment on table install is 'One physical unit in a slot, from when it was first seen to when it was last seen.';
comment on column install.end_left is 'What was left in it, or the room it still had, at its last level.';

create table ledger_day (
    slot_id    bigint not null references slot on delete cascade,
    day        date not null,
    install_id bigint not null references install on delete cascade,
    used       double precision not null check (used >= 0),
    spread     double precision not null check (spread >= 0),
    unseen     double precision not null check (unseen >= 0),
    primary key (slot_id, day, install_id)
);
create index ledger_day_by_day on ledger_day (day);
create index ledger_day_by_install on ledger_day (install_id);
comment on table ledger_day is
    'What went from a slot on a day. spread is the part of used that fell into a gap; unseen is a bound on what '
    'may have gone besides around a swap that nobody saw.';

create table outlook (
    slot_id      bigint primary key references slot on delete cascade,
    as_of        timestamptz not null,
    made_at      timestamptz not null,
    measure      text not null,
    capacity     double precision,
    quality      text not null check (quality in ('measured', 'some_left', 'unknown', 'unlimited')),
    remaining    double precision,
    step         double precision not null,
    unlimited    boolean not null,
    daily_use    double precision,
    early        date,
    middle       date,
    late         date,
    not_yet      text,
    order_by     date,
    check ((quality = 'measured') = (remaining is not null)),
    check ((early is null) = (not_yet is not null))
);
create index outlook_by_early on outlook (early);
comment on table outlook is 'What is said of a supply: the believed level, and when it runs out or fills up.';

create table marker (
    device_id      bigint not null references device on delete cascade,
    marker_index   integer not null,
    counter_unit   integer,
    technology     integer,
    life_count     bigint,
    power_on_count bigint,
    primary key (device_id, marker_index)
);

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

create table media_input (
    device_id    bigint not null references device on delete cascade,
    input_index  integer not null,
    kind         integer,
    name         text,
    media        text,
    width_um     bigint,
    unit         integer,
    max_capacity integer,
    level        integer,
    primary key (device_id, input_index)
);
comment on table media_input is 'Media loaded, as of the last answer.';

create table device_alert (
    id            bigint generated always as identity primary key,
    device_id     bigint not null references device on delete cascade,
    severity      integer not null,
    training      integer,
    alert_group   integer not null,
    group_index   integer not null,
    location      integer not null,
    code          integer not null,
    description   text not null,
    first_seen_at timestamptz not null,
    cleared_at    timestamptz
);
create unique index device_alert_standing on device_alert (device_id, alert_group, group_index, location, code)
    where cleared_at is null;
comment on table device_alert is
    'The device''s own alert table. A condition is known by group, index, location and code: the table''s index '
    'restarts and has gaps (RFC 3805, 2.2.13.4).';

create table alert (
    id         bigint generated always as identity primary key,
    rule       text not null,
    device_id  bigint not null references device on delete cascade,
    slot_id    bigint references slot on delete cascade,
    opened_at  timestamptz not null,
    cleared_at timestamptz,
    summary    text not null
);
create unique index alert_open on alert (rule, device_id, coalesce(slot_id, 0)) where cleared_at is null;
create index alert_by_time on alert (opened_at desc);
comment on table alert is 'What crossed a rule of ours. One crossing is one row, whatever restarts in between.';
