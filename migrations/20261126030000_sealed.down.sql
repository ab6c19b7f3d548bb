do $$ begin
    if exists (select from credential where '\x01'::bytea in
                   (substring(community from 1 for 1), substring(auth_password from 1 for 1),
                    substring(privacy_password from 1 for 1)))
        or exists (select from recipient where substring(secret_address from 1 for 1) = '\x01'::bytea)
    then
        raise exception 'secrets are sealed here, and only the program can open them; there is no way back for a '
            'store that holds any: remove its credentials and those who are told by calls first, or stay';
    end if;
end $$;

-- Visits end: their forms cannot be told from others any more.
delete from session;
alter table session add column form_key bytea not null check (octet_length(form_key) = 32);
comment on column session.form_key is 'Signs the forms that are shown to this visit.';

drop trigger kept on recipient;
update recipient set address = convert_from(substring(secret_address from 2), 'UTF8') where channel = 'webhook';
alter table recipient
    drop constraint recipient_sealed, drop constraint recipient_address_of_a_program, drop column secret_address;
create trigger kept after insert or delete or update on recipient
    for each row execute function keep_change('name', 'address');

alter table credential drop constraint credential_sealed;
alter table credential
    alter column community type text using convert_from(substring(community from 2), 'UTF8'),
    alter column auth_password type text using convert_from(substring(auth_password from 2), 'UTF8'),
    alter column privacy_password type text using convert_from(substring(privacy_password from 2), 'UTF8');
comment on table credential is 'How a device is asked over SNMP. Passwords are only ever read by the poller.';

drop table seal_key;
