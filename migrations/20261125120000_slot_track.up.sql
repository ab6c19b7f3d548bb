-- What a slot's follower remembers between two polls, which way its device counts, and what is asked of people.

create table slot_track (
    slot_id     bigint primary key references slot on delete cascade,
    version     integer not null,
    state       json not null,
    description text not null,
    seen_at     timestamptz not null,
    waiting     boolean not null,
    polarity    text not null check (polarity in ('remaining', 'filled')),
    ground      text not null check (ground in ('container', 'pinned', 'drift', 'standard'))
);
comment on table slot_track is
    'How far a slot''s readings have been followed. The state is the program''s own and can be made anew from '
    'the readings; version says which program can read it.';
comment on column slot_track.waiting is 'A step has not lasted long enough yet: hearing the same again tells.';
comment on column slot_track.ground is 'Why the polarity is believed.';

alter table slot add column pinned_polarity text check (pinned_polarity in ('remaining', 'filled'));
comment on column slot.pinned_polarity is 'What a person says that the device counts; null lets the drift tell.';

alter table install add column confidence double precision not null default 1 check (confidence between 0 and 1);
comment on column install.confidence is 'How sure it is that a unit went in then.';
alter table install drop constraint install_arrival_check;
alter table install add constraint install_arrival_check
    check (arrival in ('found', 'risen', 'resized', 'fallen', 'renamed'));

create table question (
    slot_id   bigint not null references slot on delete cascade,
    at        timestamptz not null,
    since_at  timestamptz not null,
    from_left double precision not null,
    to_left   double precision not null,
    primary key (slot_id, at)
);
comment on table question is
    'A fall between since_at and at that may have been a swap or a large job. It is booked as use until a '
    'person says otherwise.';
