-- Who may come in, and what was changed by whom.

create table person (
    id            bigint generated always as identity primary key,
    name          text not null check (name = btrim(name) and char_length(name) between 1 and 80),
    role          text not null check (role in ('reader', 'operator', 'administrator')),
    password_hash text,
    added_at      timestamptz not null,
    retired_at    timestamptz
);
create unique index person_name on person (lower(name)) where retired_at is null;
comment on table person is 'People who may come in. As long as there is none, only this machine may, and nobody is asked.';
comment on column person.password_hash is 'argon2id as a PHC string; null until a password was chosen by a link.';

create table entry_link (
    token_hash bytea primary key check (octet_length(token_hash) = 32),
    person_id  bigint references person,
    made_at    timestamptz not null,
    ends_at    timestamptz not null
);
comment on table entry_link is 'Links that are good for one use: they let a person choose a password.';
comment on column entry_link.person_id is 'Whose password; null: the first administrator, who does not exist yet.';

create table session (
    id            bigint generated always as identity primary key,
    token_hash    bytea not null unique check (octet_length(token_hash) = 32),
    previous_hash bytea unique check (octet_length(previous_hash) = 32),
    person_id     bigint not null references person,
    form_key      bytea not null check (octet_length(form_key) = 32),
    begun_at      timestamptz not null,
    seen_at       timestamptz not null,
    turned_at     timestamptz not null,
    agent         text not null check (char_length(agent) <= 200)
);
create index session_person on session (person_id);
comment on table session is 'Who is in, by the SHA-256 of what their browser holds.';
comment on column session.previous_hash is 'What the browser held before the last turn; requests under way may still carry it.';
comment on column session.form_key is 'Signs the forms that are shown to this visit.';
comment on column session.turned_at is 'When the browser was last given a new token.';

create table access_token (
    id         bigint generated always as identity primary key,
    token_hash bytea not null unique check (octet_length(token_hash) = 32),
    person_id  bigint not null references person,
    name       text not null check (name <> '' and char_length(name) <= 80),
    role       text not null check (role in ('reader', 'operator', 'administrator')),
    made_at    timestamptz not null,
    ends_at    timestamptz not null,
    used_at    timestamptz,
    revoked_at timestamptz
);
create index access_token_person on access_token (person_id);
comment on table access_token is 'What programs come in with: never with more than the role of the person who made it.';

create table entry_try (
    key      text primary key,
    failures integer not null check (failures > 0),
    last_at  timestamptz not null
);
comment on table entry_try is 'Entries that failed, by the SHA-256 of a name and by address, so that guessing gets slow.';

create table change (
    id        bigint generated always as identity primary key,
    at        timestamptz not null default clock_timestamp(),
    who       text not null,
    what      text not null check (what in ('added', 'changed', 'removed')),
    subject   text not null,
    key       text not null,
    was       jsonb,
    became    jsonb
);
create index change_at on change (at desc, id desc);
comment on table change is 'Every change that a person made, with what was there before and after, and never a secret.';

-- What a table's trigger names is left out by value: that it changed is told, what it is is not.
create function keep_change() returns trigger language plpgsql as $$
declare
    actor   text := nullif(current_setting('ullage.who', true), '');
    was     jsonb := case when tg_op = 'INSERT' then null else to_jsonb(old) end;
    became  jsonb := case when tg_op = 'DELETE' then null else to_jsonb(new) end;
    hidden  text;
    subject jsonb := coalesce(became, was);
begin
    if actor is null then
        -- The service's own bookkeeping; whoever comes with another client is named by the database.
        if current_setting('application_name') = 'ullage' then
            return null;
        end if;
        actor := session_user || ' (in the database)';
    end if;
    if tg_nargs > 1 then
        foreach hidden in array string_to_array(tg_argv[1], ',') loop
            if was ->> hidden is distinct from became ->> hidden then
                was := case when was ->> hidden is null then was else jsonb_set(was, array[hidden], '"hidden"') end;
                became := case when became ->> hidden is null then became
                               when was is null then jsonb_set(became, array[hidden], '"hidden"')
                               else jsonb_set(became, array[hidden], '"hidden, another"') end;
            else
                was := was - hidden;
                became := became - hidden;
            end if;
        end loop;
    end if;
    if tg_op = 'UPDATE' then
        select jsonb_object_agg(o.key, o.value), jsonb_object_agg(o.key, n.value) into was, became
        from jsonb_each(was) o join jsonb_each(became) n using (key) where o.value is distinct from n.value;
        if became is null then
            return null;
        end if;
    end if;
    insert into change (who, what, subject, key, was, became)
    values (actor,
            case tg_op when 'INSERT' then 'added' when 'UPDATE' then 'changed' else 'removed' end,
            tg_table_name,
            coalesce((select string_agg(subject ->> k, ' ') from unnest(string_to_array(tg_argv[0], ',')) k), ''),
            was, became);
    return null;
end $$;

create function refuse_unkeeping() returns trigger language plpgsql as $$
begin
    raise exception 'what was changed stays on record';
end $$;
create trigger change_stays before update or delete on change for each row execute function refuse_unkeeping();

create trigger kept after insert or delete or update on person
    for each row execute function keep_change('name', 'password_hash');
create trigger kept after insert or delete or update of revoked_at on access_token
    for each row execute function keep_change('name', 'token_hash');
create trigger kept after insert or delete or update on credential
    for each row execute function keep_change('name', 'community,auth_password,privacy_password');
create trigger kept after insert or delete or update of name, host, port, credential_id, cost_centre, poll_every_s,
    retired_at on device for each row execute function keep_change('name');
create trigger kept after insert or delete or update on part for each row execute function keep_change('number');
create trigger kept after insert or delete or update on plumbing for each row execute function keep_change('model,head,colour');
create trigger kept after insert or delete or update on head for each row execute function keep_change('device_id,position');
create trigger kept after insert or delete or update on polarity_pin for each row execute function keep_change('id');
create trigger kept after insert or delete or update on answer for each row execute function keep_change('slot_id');
create trigger kept after insert or delete or update on fitted for each row execute function keep_change('slot_id');
create trigger kept after update on lot for each row execute function keep_change('id');
create trigger kept after insert or delete or update on alert_rule for each row execute function keep_change('rule,scope');
create trigger kept after insert or delete or update on recipient for each row execute function keep_change('name', 'address');
create trigger kept after insert or delete or update on route for each row execute function keep_change('recipient_id');
create trigger kept after insert on supply_order_step for each row execute function keep_change('order_id,step');
create trigger kept after insert on movement for each row execute function keep_change('lot_id,kind');
create trigger kept after insert on month_close for each row execute function keep_change('month', 'document');
create trigger kept after insert or delete or update on feed
    for each row execute function keep_change('only_one', 'digest');
