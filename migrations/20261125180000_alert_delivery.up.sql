-- Rules as data, the life of an alert, and what is told to whom.
--
-- A rule's own values are in the program; a row here changes some of them for a scope. What is told is written
-- down in the transaction that changes the alert, and sent from there until it has arrived.

alter table alert alter column device_id drop not null;
alter table alert
    add column part_id       bigint references part on delete cascade,
    add column head_place    integer check (head_place between 1 and 64),
    add column severity      text not null default 'warning' check (severity in ('critical', 'warning', 'other')),
    add column folded        boolean not null default false,
    add column told_at       timestamptz,
    add column seen_at       timestamptz,
    add column seen_by       text check (seen_by <> ''),
    add column note          text not null default '',
    add column snoozed_until timestamptz,
    add constraint alert_one_subject check ((device_id is null) <> (part_id is null)),
    add constraint alert_slot_of_device check (device_id is not null or (slot_id is null and head_place is null)),
    add constraint alert_seen_by_somebody check ((seen_at is null) = (seen_by is null));
comment on column alert.severity is 'By the words of RFC 3805 (prtAlertSeverityLevel).';
comment on column alert.folded is 'It follows from another alert that was open, and is told of only if it outlasts that.';
comment on column alert.told_at is 'When the first message about it had been handed over.';
drop index alert_open;
create unique index alert_open on alert
    (rule, coalesce(device_id, 0), coalesce(slot_id, 0), coalesce(part_id, 0), coalesce(head_place, 0))
    where cleared_at is null;

create table alert_waiting (
    rule       text not null,
    device_id  bigint references device on delete cascade,
    slot_id    bigint references slot on delete cascade,
    part_id    bigint references part on delete cascade,
    head_place integer,
    since_at   timestamptz not null,
    check ((device_id is null) <> (part_id is null))
);
create unique index alert_waiting_subject on alert_waiting
    (rule, coalesce(device_id, 0), coalesce(slot_id, 0), coalesce(part_id, 0), coalesce(head_place, 0));
comment on table alert_waiting is 'What has crossed a rule, and has not yet done so for as long as the rule asks.';

create table alert_rule (
    id         bigint generated always as identity primary key,
    rule       text not null,
    scope      text not null check (scope in ('everywhere', 'site', 'model', 'device', 'slot')),
    site_id    bigint references site on delete cascade,
    model      text check (model <> ''),
    device_id  bigint references device on delete cascade,
    slot_id    bigint references slot on delete cascade,
    is_on      boolean,
    severity   text check (severity in ('critical', 'warning', 'other')),
    open_at    double precision,
    clear_at   double precision,
    lasting_s  bigint check (lasting_s >= 0),
    changed_at timestamptz not null,
    changed_by text not null check (changed_by <> ''),
    check ((scope = 'site') = (site_id is not null)),
    check ((scope = 'model') = (model is not null)),
    check ((scope = 'device') = (device_id is not null)),
    check ((scope = 'slot') = (slot_id is not null)),
    check ((open_at is null) = (clear_at is null))
);
create unique index alert_rule_scope on alert_rule
    (rule, scope, coalesce(site_id, 0), coalesce(model, ''), coalesce(device_id, 0), coalesce(slot_id, 0));
comment on table alert_rule is 'What somebody changed about a rule, for a scope. Null leaves what holds more widely.';

create table recipient (
    id                bigint generated always as identity primary key,
    name              text not null check (name <> ''),
    channel           text not null check (channel in ('mail', 'webhook')),
    address           text not null check (address <> ''),
    least_severity    text not null check (least_severity in ('critical', 'warning', 'other')),
    quiet_from        time,
    quiet_until       time,
    working_days_only boolean not null default false,
    wants_cleared     boolean not null,
    added_at          timestamptz not null,
    removed_at        timestamptz,
    check ((quiet_from is null) = (quiet_until is null))
);
create unique index recipient_name on recipient (name) where removed_at is null;
comment on table recipient is 'Who is told, by which way, and when they are to be left alone (times of the site''s zone).';

create table route (
    id           bigint generated always as identity primary key,
    recipient_id bigint not null references recipient on delete cascade,
    rule         text,
    device_id    bigint references device on delete cascade,
    unseen_for_s bigint not null default 0 check (unseen_for_s >= 0)
);
create unique index route_once on route (recipient_id, coalesce(rule, ''), coalesce(device_id, 0), unseen_for_s);
comment on table route is
    'What a recipient is told: of one rule or of every one, at one device or anywhere, at once or only when nobody '
    'has seen it for so long. A recipient without a route is told everything at once.';

create table message (
    id           bigint generated always as identity primary key,
    key          uuid not null unique default gen_random_uuid(),
    recipient_id bigint not null references recipient on delete cascade,
    made_at      timestamptz not null,
    due_at       timestamptz not null,
    attempts     integer not null default 0,
    fault        text,
    sent_at      timestamptz,
    given_up_at  timestamptz,
    check (sent_at is null or given_up_at is null)
);
create index message_due on message (due_at) where sent_at is null and given_up_at is null;
create index message_by_time on message (made_at desc);
comment on table message is
    'What is sent. The key never changes: every try carries it, and whoever gets a message twice can tell by it. '
    'due_at is moved on before each try, so that a try that was cut short is made again.';

create table notice (
    id           bigint generated always as identity primary key,
    alert_id     bigint not null references alert on delete cascade,
    recipient_id bigint not null references recipient on delete cascade,
    kind         text not null check (kind in ('opened', 'unseen', 'again', 'cleared')),
    at           timestamptz not null,
    due_at       timestamptz not null,
    dropped_at   timestamptz,
    message_id   bigint references message on delete cascade,
    unique (alert_id, recipient_id, kind, at),
    check (dropped_at is null or message_id is null)
);
create index notice_due on notice (due_at) where message_id is null and dropped_at is null;
create index notice_by_message on notice (message_id);
comment on table notice is
    'One thing to tell one recipient about one alert, written down with the alert''s change. Those that are due go '
    'into a message together; those that have become pointless are dropped.';

create table feed (
    only_one boolean primary key default true check (only_one),
    secret   text not null check (length(secret) >= 32),
    made_at  timestamptz not null
);
comment on table feed is 'The secret part of the addresses at which calendars and feed readers fetch tasks and alerts.';
