-- What tells of a swap besides the level, and what people say of slots: answers, pins, sizes, and lots.

create table sign (
    id        bigint generated always as identity primary key,
    device_id bigint not null references device on delete cascade,
    slot_id   bigint references slot on delete cascade,
    at        timestamptz not null,
    kind      text not null check (kind in ('renamed', 'handled', 'together', 'opened', 'closed', 'restarted'))
);
create unique index sign_once on sign (device_id, at, coalesce(slot_id, 0), kind);
comment on table sign is
    'What was seen at a poll and not at the one before, of one slot or, where slot_id is null, of all of a '
    'device''s: it makes a step of a level more or less likely to be a swap.';

alter table device add column cover_open boolean not null default false;
comment on column device.cover_open is 'Whether a cover stood open at the last answer.';

create table polarity_pin (
    id        bigint generated always as identity primary key,
    slot_id   bigint unique references slot on delete cascade,
    device_id bigint unique references device on delete cascade,
    model     text unique check (model <> ''),
    polarity  text not null check (polarity in ('remaining', 'filled')),
    who       text not null check (who <> ''),
    at        timestamptz not null,
    check (num_nonnulls(slot_id, device_id, model) = 1)
);
comment on table polarity_pin is
    'What a person says that receptacles are told in: of one slot, one device, or all devices of a model. The '
    'nearest counts.';
insert into polarity_pin (slot_id, polarity, who, at)
    select id, pinned_polarity, 'unknown', now() from slot where pinned_polarity is not null;
alter table slot drop column pinned_polarity;

alter table slot add column chosen_part_id bigint references part on delete set null;
alter table slot add column full_ml double precision check (full_ml > 0);
alter table slot add column first_ml double precision check (first_ml > 0);
comment on column slot.chosen_part_id is 'The part that a person says goes in; null leaves it to the catalogue.';
comment on column slot.full_ml is
    'What a full unit holds, as the catalogue had it when the slot was last followed from its first reading.';
comment on column slot.first_ml is 'What a person says that the unit held which was in when watching began.';

create table answer (
    slot_id     bigint not null references slot on delete cascade,
    at          timestamptz not null,
    verdict     text not null check (verdict in ('swap', 'job')),
    since_at    timestamptz not null,
    from_left   double precision not null,
    to_left     double precision not null,
    measure     text not null,
    who         text not null check (who <> ''),
    answered_at timestamptz not null,
    primary key (slot_id, at)
);
comment on table answer is
    'What a person said of a question, with the question as it was. It is applied whenever the slot is followed '
    'from its first reading again.';
alter table question add column measure text not null default 'percent';
alter table question alter column measure drop default;

create table fitted (
    slot_id     bigint not null references slot on delete cascade,
    from_at     timestamptz not null,
    movement_id bigint unique references movement,
    who         text not null check (who <> ''),
    at          timestamptz not null,
    primary key (slot_id, from_at)
);
comment on table fitted is
    'Which movement of the shelf brought the unit that went into a slot at from_at; no movement: it did not come '
    'from the shelf.';

alter table slot_track drop column description;
