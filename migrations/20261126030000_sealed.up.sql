-- Secrets are sealed: what a secret column holds opens only with a key that is not in the database.
--
-- The first octet of such a value says how the rest is kept: 0 is in the clear, as it was until now, and waits for
-- the next start of the program, which seals it; 1 is sealed with XChaCha20-Poly1305, followed by the key's identity
-- (8 octets), the nonce (24) and what was sealed with its tag, bound to table, column and row. Values in the clear
-- are no longer taken.

create table seal_key (
    only_one boolean primary key default true check (only_one),
    key_id   bytea not null check (octet_length(key_id) = 8),
    place    text not null check (place <> ''),
    since    timestamptz not null default now()
);
comment on table seal_key is
    'Which key seals: whoever seals shares a lock on this row, so that nobody goes on with a key that was just changed.';
comment on column seal_key.key_id is 'The first octets of a SHA-256 over the key; the key cannot be found by it.';
comment on column seal_key.place is 'Where the key was kept when it came into use, so that a person knows what to look for.';
create trigger kept after insert or delete or update on seal_key for each row execute function keep_change('place');

alter table credential
    alter column community type bytea using '\x00'::bytea || convert_to(community, 'UTF8'),
    alter column auth_password type bytea using '\x00'::bytea || convert_to(auth_password, 'UTF8'),
    alter column privacy_password type bytea using '\x00'::bytea || convert_to(privacy_password, 'UTF8');
alter table credential
    add constraint credential_sealed check (
        substring(community from 1 for 1) = '\x01'::bytea and substring(auth_password from 1 for 1) = '\x01'::bytea
        and substring(privacy_password from 1 for 1) = '\x01'::bytea) not valid;
comment on table credential is 'How a device is asked over SNMP. Community and passwords are sealed.';

-- A web address often holds what lets somebody in behind it, so that only its host is shown.
drop trigger kept on recipient;
alter table recipient add column secret_address bytea;
update recipient
set secret_address = '\x00'::bytea || convert_to(address, 'UTF8'),
    address = coalesce(substring(address from '^[A-Za-z]+://[^/?#\\]+') || '/…', 'a web address')
where channel = 'webhook';
alter table recipient
    add constraint recipient_address_of_a_program check ((channel = 'webhook') = (secret_address is not null)),
    add constraint recipient_sealed check (substring(secret_address from 1 for 1) = '\x01'::bytea) not valid;
comment on column recipient.address is 'A mail address, or as much of a web address as pages show.';
comment on column recipient.secret_address is 'The whole of a web address, sealed.';
create trigger kept after insert or delete or update on recipient
    for each row execute function keep_change('name', 'address,secret_address');

-- What signs a visit's forms is made from the key and the visit, and is kept nowhere.
alter table session drop column form_key;
