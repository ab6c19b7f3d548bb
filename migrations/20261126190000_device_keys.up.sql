-- Whatever is kept of a device carries its number, in the row and in the key: that is the column by which a database that
-- spreads tables over several servers would do so, and what lies under one device would lie on one server.

alter table ledger_month drop constraint ledger_month_install_id_fkey;
alter table head_outlook drop constraint head_outlook_head_id_fkey;
alter table swap drop constraint swap_head_id_fkey, drop constraint swap_slot_id_fkey;
alter table sign drop constraint sign_slot_id_fkey;
alter table swap_step drop constraint swap_step_swap_id_fkey;
alter table swap_photo drop constraint swap_photo_swap_id_fkey;

-- These have a number of their own beside the device's.
alter table head drop constraint head_pkey, add primary key (id, device_id);
alter table swap drop constraint swap_pkey, add primary key (id, device_id),
    drop constraint swap_movement_id_key, add unique (movement_id, device_id);
alter table sign drop constraint sign_pkey, add primary key (id, device_id);
alter table device_alert drop constraint device_alert_pkey, add primary key (id, device_id);
alter table device_ask drop constraint device_ask_pkey, add primary key (id, device_id);
alter table printed_run drop constraint printed_run_pkey, add primary key (id, device_id);

-- These knew only their slot, their head or their swap. Who changed what is not concerned: nothing did.
do $$
declare
    place record;
begin
    for place in
        select * from (values ('install', 'slot', 'slot_id', 'id'), ('outlook', 'slot', 'slot_id', 'slot_id'),
                              ('slot_track', 'slot', 'slot_id', 'slot_id'), ('slot_pace', 'slot', 'slot_id', 'slot_id'),
                              ('slot_gap', 'slot', 'slot_id', 'slot_id, from_at'),
                              ('order_day', 'slot', 'slot_id', 'slot_id, from_at'),
                              ('question', 'slot', 'slot_id', 'slot_id, at'), ('answer', 'slot', 'slot_id', 'slot_id, at'),
                              ('fitted', 'slot', 'slot_id', 'slot_id, from_at'),
                              ('ledger_month', 'slot', 'slot_id', 'slot_id, month, install_id'),
                              ('head_outlook', 'head', 'head_id', 'head_id'),
                              ('swap_step', 'swap', 'swap_id', 'swap_id, step'),
                              ('swap_photo', 'swap', 'swap_id', 'swap_id')) as place (of_table, owner, owner_id, key)
    loop
        execute format('alter table %I add column device_id bigint, disable trigger user', place.of_table);
        execute format('update %I as kept set device_id = owner.device_id from %I as owner where owner.id = kept.%I',
                       place.of_table, place.owner, place.owner_id);
        execute format('alter table %I enable trigger user, alter column device_id set not null, drop constraint %I, '
                       'add primary key (%s, device_id), drop constraint if exists %I, '
                       'add foreign key (%I, device_id) references %I (id, device_id) on delete cascade',
                       place.of_table, place.of_table || '_pkey', place.key,
                       place.of_table || '_' || place.owner_id || '_fkey', place.owner_id, place.owner);
    end loop;
end $$;

alter table install drop constraint install_slot_id_from_at_key, add unique (slot_id, from_at, device_id);
alter table fitted drop constraint fitted_movement_id_key, add unique (movement_id, device_id);
alter table ledger_month
    add foreign key (install_id, device_id) references install (id, device_id) on delete cascade;
alter table swap
    add foreign key (slot_id, device_id) references slot (id, device_id) on delete cascade,
    add foreign key (head_id, device_id) references head (id, device_id) on delete set null (head_id);
alter table sign add foreign key (slot_id, device_id) references slot (id, device_id) on delete cascade;
