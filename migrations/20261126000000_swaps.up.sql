-- Guides to a swap, walks through them, and what became of each: the record of swaps.

create table guide (
    id         bigint generated always as identity primary key,
    kind       text not null check (kind in ('cartridge', 'head', 'receptacle')),
    model      text check (model <> ''),
    steps      text not null check (char_length(steps) between 1 and 12000),
    who        text not null check (who <> ''),
    why        text not null default '',
    written_at timestamptz not null
);
create index guide_latest on guide (kind, model, id desc);
comment on table guide is
    'Every version of every guide, only ever added. The latest of a model counts for it, then the latest without a '
    'model, then the usual one, which stands in the program.';

create table swap (
    id          bigint generated always as identity primary key,
    device_id   bigint not null references device on delete cascade,
    slot_id     bigint references slot on delete cascade,
    head        integer check (head between 1 and 64),
    kind        text not null check (kind in ('cartridge', 'head', 'receptacle')),
    guide_id    bigint references guide,
    steps       text not null,
    lot_id      bigint references lot,
    why_lot     text not null default '',
    was         jsonb,
    became      jsonb,
    begun_at    timestamptz not null,
    who         text not null check (who <> ''),
    ended_at    timestamptz,
    ended_by    text check (ended_by <> ''),
    given_up    text check (given_up <> ''),
    movement_id bigint unique references movement,
    head_id     bigint references head on delete set null,
    check (num_nonnulls(slot_id, head) = 1),
    check ((kind = 'head') = (head is not null) or slot_id is not null),
    check ((ended_at is null) = (ended_by is null)),
    check (given_up is null or ended_at is not null),
    check (ended_at >= begun_at)
);
create unique index swap_under_way on swap (device_id, coalesce(slot_id, 0), coalesce(head, 0)) where ended_at is null;
create index swap_by_end on swap (coalesce(ended_at, begun_at) desc, id desc);
comment on table swap is
    'A walk through a guide: under way while ended_at is null, given up where given_up says why, and otherwise a swap '
    'that was made.';
comment on column swap.steps is 'The guide as it was when the walk began.';
comment on column swap.was is 'The supply as its device told it when the walk began; null where it told nothing.';
comment on column swap.became is 'The supply as its device told it at the end.';

create table swap_step (
    swap_id   bigint not null references swap on delete cascade,
    step      integer not null check (step >= 1),
    how       text not null check (how in ('confirmed', 'said', 'skipped')),
    why       text check (why <> ''),
    who       text not null check (who <> ''),
    passed_at timestamptz not null,
    primary key (swap_id, step),
    check ((how = 'skipped') = (why is not null))
);
comment on table swap_step is 'How each step was passed. Rows are only ever added, in the order of the steps.';

create table swap_photo (
    swap_id bigint primary key references swap on delete cascade,
    kind    text not null check (kind in ('image/png', 'image/jpeg', 'image/webp')),
    octets  bytea not null check (octet_length(octets) between 12 and 4194304),
    who     text not null check (who <> ''),
    at      timestamptz not null
);
comment on table swap_photo is 'A picture of the old part or of the machine, at most one for each swap, 4 MiB at most.';

-- No walk ends before each of its steps is passed, and none goes on after its end.
create function swap_step_keeps_turns() returns trigger language plpgsql as $$
begin
    perform 1 from swap where id = new.swap_id and ended_at is null for update;
    if not found or new.step <> 1 + (select count(*) from swap_step where swap_id = new.swap_id) then
        raise exception 'step % of swap % is not the next one', new.step, new.swap_id
            using errcode = 'check_violation', table = 'swap_step', constraint = 'swap_step_turn';
    end if;
    return new;
end $$;
create trigger swap_step_keeps_turns before insert on swap_step
    for each row execute function swap_step_keeps_turns();

create trigger kept after insert or delete or update on guide for each row execute function keep_change('id');
create trigger kept after insert or delete or update on swap for each row execute function keep_change('id');
create trigger kept after insert or delete or update on swap_step for each row execute function keep_change('swap_id,step');
create trigger kept after insert or delete or update on swap_photo
    for each row execute function keep_change('swap_id', 'octets');
