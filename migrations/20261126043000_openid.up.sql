-- By whom people are known at a provider of OpenID Connect.

create table person_identity (
    issuer    text not null check (issuer <> ''),
    subject   text not null check (char_length(subject) between 1 and 255),
    person_id bigint not null references person,
    bound_at  timestamptz not null,
    primary key (issuer, subject),
    unique (person_id, issuer)
);
comment on table person_identity is 'Who somebody is at a provider that people come in by; a name there may change hands, this does not.';
comment on column person_identity.subject is 'The provider''s own name for them, which it gives to nobody else (OpenID Connect Core 1.0, 5.7).';
comment on column person_identity.bound_at is 'When they first came in by it.';

create trigger kept after insert or delete or update on person_identity
    for each row execute function keep_change('issuer,subject');
