-- What was forecast, kept to be held against what came; and what an outlook was worked out with.

create table outlook_day (
    slot_id bigint not null references slot on delete cascade,
    day     date not null,
    as_of   timestamptz not null,
    measure text not null,
    to_use  double precision not null check (to_use >= 0),
    early   date not null,
    middle  date not null,
    late    date not null,
    primary key (slot_id, day),
    check (early <= middle and middle <= late)
);
create index outlook_day_by_late on outlook_day (late);
comment on table outlook_day is
    'The first forecast of each day of a supply whose machine answered on it. Days older than some weeks keep the '
    'first of each week, and rows go after some years.';
comment on column outlook_day.to_use is
    'What has to be used from the beginning of the day on until the supply ends, in the measure.';

alter table outlook add column basis bigint;
comment on column outlook.basis is
    'Fingerprint of the day and the rules that it was worked out with: with the same and no news it stays.';
