-- Runs: what people wrote down of what was printed, and how wide media are where a machine does not tell or tells
-- wrongly. Both teach what a machine takes for a square metre.

create table printed_run (
    id         bigint generated always as identity primary key,
    device_id  bigint not null references device on delete cascade,
    day        date not null,
    area_m2    double precision not null check (area_m2 > 0 and area_m2 <= 100000),
    media      text not null check (media in ('gloss', 'matte', 'canvas', 'textile')),
    what       text not null default '',
    who        text not null check (who <> ''),
    written_at timestamptz not null
);
create index printed_run_by_day on printed_run (device_id, day);
comment on table printed_run is
    'A run as somebody wrote it down, on the site''s civil day. It counts towards coverage only where the machine''s '
    'life count gives no area.';

create table media_width (
    device_id  bigint primary key references device on delete cascade,
    width_m    double precision not null check (width_m > 0 and width_m <= 20),
    who        text not null check (who <> ''),
    written_at timestamptz not null
);
comment on table media_width is 'How wide a person says that a machine''s media are; it goes before what the device tells.';

create trigger kept after insert or delete or update on printed_run for each row execute function keep_change('id');
create trigger kept after insert or delete or update on media_width for each row execute function keep_change('device_id');
