-- Which process polls which device, where several share one database, and what pages ask of them.

create table poller (
    id       bigint generated always as identity primary key,
    name     text not null check (name <> ''),
    sites    text[] not null default '{}',
    networks text[] not null default '{}',
    began_at timestamptz not null default clock_timestamp(),
    until    timestamptz not null
);
comment on table poller is
    'A run of a process that polls: it is at work until `until`, by the clock of the database, and says so again long '
    'before. Its number is never given out twice.';
comment on column poller.sites is 'Names of the sites whose devices it polls; all if there are none.';
comment on column poller.networks is 'Ranges of addresses (RFC 4632) whose devices it polls; all if there are none.';

create table device_lease (
    device_id bigint primary key references device on delete cascade,
    poller_id bigint not null references poller on delete cascade,
    until     timestamptz not null
);
create index device_lease_by_poller on device_lease (poller_id);
comment on table device_lease is
    'Who polls a device, and until when nobody else does. A row that has run out is still its last holder''s until '
    'somebody takes it.';

create table device_ask (
    id          bigint generated always as identity primary key,
    device_id   bigint not null references device on delete cascade,
    asked_at    timestamptz not null default clock_timestamp(),
    answered_at timestamptz,
    answer      jsonb,
    check ((answer is null) = (answered_at is null))
);
create index device_ask_open on device_ask (device_id) where answered_at is null;
comment on table device_ask is
    'A page needs to know what a device says now: whoever holds it polls it at once. Rows are gone after some minutes.';
comment on column device_ask.answer is 'The poll that was made for it.';
