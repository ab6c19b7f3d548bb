-- Orders: what is to be bought, what was sent for, and what came of it; and how fast each slot uses what it holds.

create table slot_pace (
    slot_id  bigint primary key references slot on delete cascade,
    per_day  double precision not null check (per_day >= 0),
    variance double precision not null check (variance >= 0),
    doubt    double precision not null check (doubt >= 0)
);
comment on table slot_pace is
    'How a slot uses what it holds, as the last forecast took it: mean and variance of use per day in the slot''s '
    'measure, and the relative variance of what is known of the mean. Swaps of many slots are counted with it.';

create table supply_order (
    id          bigint generated always as identity primary key,
    supplier    text check (supplier <> ''),
    state       text not null default 'draft'
                check (state in ('draft', 'sent', 'partly_received', 'received', 'cancelled')),
    sent_at     timestamptz,
    expected_on date,
    check (state in ('draft', 'cancelled') or sent_at is not null),
    check (expected_on is null or sent_at is not null)
);
create unique index supply_order_draft on supply_order (coalesce(supplier, '')) where state = 'draft';
comment on table supply_order is 'An order to a supplier. There is one draft a supplier at a time.';

create table supply_order_line (
    order_id    bigint not null references supply_order on delete cascade,
    part_id     bigint not null references part,
    units       integer not null check (units between 1 and 9999),
    price_minor bigint check (price_minor >= 0),
    currency    text check (currency ~ '^[A-Z]{3}$'),
    primary key (order_id, part_id),
    check ((price_minor is null) = (currency is null))
);
create index supply_order_line_by_part on supply_order_line (part_id);
comment on column supply_order_line.price_minor is 'Price of one unit when the line was last written.';

create table supply_order_step (
    id       bigint generated always as identity primary key,
    order_id bigint not null references supply_order on delete cascade,
    at       timestamptz not null,
    step     text not null check (step in ('drafted', 'changed', 'sent', 'received', 'cancelled')),
    who      text not null check (who <> ''),
    why      text not null
);
create index supply_order_step_by_order on supply_order_step (order_id);
comment on table supply_order_step is 'What was done with an order, by whom and why.';

create table supply_order_receipt (
    movement_id bigint primary key references movement,
    order_id    bigint not null,
    part_id     bigint not null,
    foreign key (order_id, part_id) references supply_order_line
);
create index supply_order_receipt_by_line on supply_order_receipt (order_id, part_id);
comment on table supply_order_receipt is 'Which line of which order a receipt on the shelf is of.';

-- An order goes one way: from draft to sent, to partly received, to received; or it is cancelled before the last.
create function supply_order_steps() returns trigger language plpgsql as $$
begin
    if old.state <> new.state and not (old.state, new.state) in (
        ('draft', 'sent'), ('draft', 'cancelled'), ('sent', 'partly_received'), ('sent', 'received'),
        ('sent', 'cancelled'), ('partly_received', 'received'), ('partly_received', 'cancelled'))
    then
        raise exception 'order % is %, so it cannot become %', old.id, old.state, new.state
            using errcode = 'check_violation', table = 'supply_order', constraint = 'supply_order_one_way';
    end if;
    if new.state = 'received' and exists (
        select from supply_order_line as line where order_id = new.id and units > (
            select coalesce(sum(quantity), 0) from supply_order_receipt as receipt
            join movement on movement.id = movement_id
            where receipt.order_id = line.order_id and receipt.part_id = line.part_id))
    then
        raise exception 'order % is not received as long as units are missing', new.id
            using errcode = 'check_violation', table = 'supply_order', constraint = 'supply_order_whole';
    end if;
    return new;
end $$;
create trigger supply_order_steps before update on supply_order
    for each row execute function supply_order_steps();

-- Lines are changed in a draft only.
create function supply_order_line_is_drafted() returns trigger language plpgsql as $$
declare
    standing text;
begin
    select state into standing from supply_order where id = coalesce(new.order_id, old.order_id) for update;
    if standing <> 'draft' then
        raise exception 'order % is %, so its lines stay', coalesce(new.order_id, old.order_id), standing
            using errcode = 'check_violation', table = 'supply_order_line', constraint = 'supply_order_line_in_draft';
    end if;
    return coalesce(new, old);
end $$;
create trigger supply_order_line_is_drafted before insert or update or delete on supply_order_line
    for each row execute function supply_order_line_is_drafted();

-- What comes in is of an order that was sent, and never more than was ordered. Whoever receives an order waits
-- for whoever receives it at the same time.
create function supply_order_receipt_fits() returns trigger language plpgsql as $$
declare
    standing text;
    missing bigint;
begin
    select state into standing from supply_order where id = new.order_id for update;
    if standing not in ('sent', 'partly_received') then
        raise exception 'order % is %, so nothing is received of it', new.order_id, standing
            using errcode = 'check_violation', table = 'supply_order_receipt', constraint = 'supply_order_receipt_sent';
    end if;
    select line.units - (select coalesce(sum(quantity), 0) from supply_order_receipt as receipt
                         join movement on movement.id = movement_id
                         where receipt.order_id = new.order_id and receipt.part_id = new.part_id)
        into missing from supply_order_line as line
        where line.order_id = new.order_id and line.part_id = new.part_id;
    if (select quantity from movement where id = new.movement_id) > missing then
        raise exception 'order % misses % of this part', new.order_id, missing
            using errcode = 'check_violation', table = 'supply_order_receipt', constraint = 'supply_order_receipt_fits';
    end if;
    return new;
end $$;
create trigger supply_order_receipt_fits before insert on supply_order_receipt
    for each row execute function supply_order_receipt_fits();
create trigger supply_order_receipt_is_kept before update or delete on supply_order_receipt
    for each row execute function movement_is_kept();

create table form_token (
    token  text primary key check (token ~ '^[0-9a-f]{32}$'),
    at     timestamptz not null,
    led_to bigint
);
create index form_token_by_age on form_token (at);
comment on table form_token is
    'Forms that were booked: a form that is sent twice is booked once, and leads to the same page again.';
