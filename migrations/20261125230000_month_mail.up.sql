-- The report of a month goes out by mail, to whom the settings name, once.

alter table message
    alter column recipient_id drop not null,
    add column address      text check (address <> ''),
    add column report_month date check (extract(day from report_month) = 1),
    add constraint message_is_to_somebody check ((recipient_id is null) = (address is not null)),
    add constraint message_says_something check ((address is null) = (report_month is null));
create unique index message_report_once on message (report_month, address);
comment on column message.address is 'Who gets a month''s report, by mail; whoever is told of alerts is a recipient.';
comment on column message.report_month is 'The first day of the month whose report it carries.';

create table message_file (
    message_id bigint   not null references message on delete cascade,
    place      smallint not null check (place >= 1),
    name       text     not null check (name <> ''),
    media_type text     not null check (media_type <> ''),
    content    bytea    not null,
    primary key (message_id, place)
);
comment on table message_file is 'What goes with a message, as it was when it was put together: every try carries the same.';
