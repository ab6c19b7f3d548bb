-- The shelf: what can be bought, what lies there, and every movement of it.
--
-- Stock is never stored: it is the sum of a lot's movements. Days are the site's civil days.

create table part (
    id                bigint generated always as identity primary key,
    number            text not null unique check (number <> '' and number = btrim(number)),
    kind              text not null check (kind in ('cartridge', 'head', 'receptacle')),
    colour            text check (colour <> ''),
    capacity          double precision check (capacity > 0),
    measure           text,
    shelf_life_months integer check (shelf_life_months > 0),
    price_minor       bigint check (price_minor >= 0),
    currency          text check (currency ~ '^[A-Z]{3}$'),
    pack_size         integer not null default 1 check (pack_size > 0),
    minimum_order     integer not null default 1 check (minimum_order > 0),
    supplier          text check (supplier <> ''),
    lead_days         double precision check (lead_days >= 0),
    lead_spread_days  double precision check (lead_spread_days >= 0),
    storage_note      text check (storage_note <> ''),
    check ((capacity is null) = (measure is null)),
    check ((price_minor is null) = (currency is null)),
    check (lead_spread_days is null or lead_days is not null)
);
comment on table part is 'The catalogue: what can be bought. Kind and colour decide which slots it fits.';
comment on column part.shelf_life_months is 'Months from manufacture that a unit is good for; null where it does not spoil.';
comment on column part.price_minor is 'Price of one unit in the minor units of its currency (ISO 4217).';
comment on column part.minimum_order is 'Units that the supplier delivers at least.';
comment on column part.lead_days is 'Mean days from order to delivery; lead_spread_days is their standard deviation.';

create table part_fit (
    part_id bigint not null references part on delete cascade,
    model   text not null check (model <> ''),
    primary key (part_id, model)
);
comment on table part_fit is 'The models a part fits, as devices name themselves. A part without a row fits any model.';

create table lot (
    id          bigint generated always as identity primary key,
    part_id     bigint not null references part,
    made_on     date not null,
    place       text not null check (place <> ''),
    left_over   double precision check (left_over >= 0),
    opened_from bigint references lot,
    check (opened_from is null or left_over is not null)
);
create unique index lot_whole on lot (part_id, made_on, place) where left_over is null;
create index lot_by_origin on lot (opened_from) where opened_from is not null;
comment on table lot is
    'Units of one part with one date of manufacture in one place; or a single unit that came back part-used, '
    'with what was left in it and the lot it was taken from, where that is known.';

create table movement (
    id        bigint generated always as identity primary key,
    lot_id    bigint not null references lot,
    kind      text not null check (kind in ('received', 'issued', 'returned', 'counted', 'written_off')),
    quantity  integer not null,
    left_over double precision check (left_over >= 0),
    device_id bigint references device,
    slot_id   bigint references slot,
    at        timestamptz not null,
    who       text not null check (who <> ''),
    why       text not null,
    check (case kind when 'received' then quantity > 0
                     when 'returned' then quantity > 0
                     when 'issued' then quantity < 0
                     when 'written_off' then quantity < 0
                     else true end),
    check (left_over is null or kind = 'returned'),
    check (slot_id is null or device_id is not null)
);
create index movement_by_lot on movement (lot_id);
comment on table movement is
    'The shelf''s ledger. Rows are only ever added; a mistake is put right by a further movement.';
comment on column movement.quantity is
    'Units that came (above zero) or went (below). For counted: what the count found, less what was booked.';

-- Whoever moves a lot's units waits for whoever moves them at the same time: the sum is then the whole truth.
create function movement_keeps_stock() returns trigger language plpgsql as $$
declare
    on_shelf bigint;
begin
    perform 1 from lot where id = new.lot_id for update;
    select coalesce(sum(quantity), 0) into on_shelf from movement where lot_id = new.lot_id;
    if on_shelf + new.quantity < 0 then
        raise exception 'lot % holds % on the shelf, so % cannot leave it', new.lot_id, on_shelf, -new.quantity
            using errcode = 'check_violation', table = 'movement', constraint = 'movement_stock_not_negative';
    end if;
    return new;
end $$;
create trigger movement_keeps_stock before insert on movement
    for each row execute function movement_keeps_stock();

create function movement_is_kept() returns trigger language plpgsql as $$
begin
    raise exception 'movements are only ever added; put a mistake right by a further movement'
        using errcode = 'check_violation', table = 'movement', constraint = 'movement_append_only';
end $$;
create trigger movement_is_kept before update or delete on movement
    for each row execute function movement_is_kept();
create trigger movement_is_not_emptied before truncate on movement
    for each statement execute function movement_is_kept();
