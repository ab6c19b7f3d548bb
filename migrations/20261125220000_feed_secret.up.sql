-- What opens the feeds is kept as a digest: whoever reads the store cannot fetch them by it.

drop table feed;
create table feed (
    only_one boolean primary key default true check (only_one),
    digest   bytea not null check (octet_length(digest) = 32),
    made_at  timestamptz not null
);
comment on table feed is
    'The secret part of the addresses at which calendars and feed readers fetch tasks and alerts, as its SHA-256: it '
    'is shown once, when it is made.';
