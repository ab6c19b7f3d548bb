drop table feed;
create table feed (
    only_one boolean primary key default true check (only_one),
    secret   text not null check (length(secret) >= 32),
    made_at  timestamptz not null
);
comment on table feed is 'The secret part of the addresses at which calendars and feed readers fetch tasks and alerts.';
