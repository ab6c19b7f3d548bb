alter table swap_step drop constraint swap_step_swap_id_device_id_fkey, drop constraint swap_step_pkey,
    drop column device_id, add primary key (swap_id, step);
alter table swap_photo drop constraint swap_photo_swap_id_device_id_fkey, drop constraint swap_photo_pkey,
    drop column device_id, add primary key (swap_id);
alter table head_outlook drop constraint head_outlook_head_id_device_id_fkey, drop constraint head_outlook_pkey,
    drop column device_id, add primary key (head_id);
alter table ledger_month drop constraint ledger_month_install_id_device_id_fkey,
    drop constraint ledger_month_slot_id_device_id_fkey, drop constraint ledger_month_pkey, drop column device_id,
    add primary key (slot_id, month, install_id);
alter table install drop constraint install_slot_id_device_id_fkey, drop constraint install_slot_id_from_at_device_id_key,
    drop constraint install_pkey, drop column device_id, add primary key (id), add unique (slot_id, from_at),
    add foreign key (slot_id) references slot on delete cascade;
alter table ledger_month add foreign key (slot_id) references slot on delete cascade,
    add foreign key (install_id) references install on delete cascade;
alter table fitted drop constraint fitted_slot_id_device_id_fkey, drop constraint fitted_movement_id_device_id_key,
    drop constraint fitted_pkey, drop column device_id, add primary key (slot_id, from_at), add unique (movement_id),
    add foreign key (slot_id) references slot on delete cascade;
do $$
declare
    place record;
begin
    for place in
        select * from (values ('outlook', 'slot_id'), ('slot_track', 'slot_id'), ('slot_pace', 'slot_id'),
                              ('slot_gap', 'slot_id, from_at'), ('order_day', 'slot_id, from_at'),
                              ('question', 'slot_id, at'), ('answer', 'slot_id, at')) as place (of_table, key)
    loop
        execute format('alter table %I drop constraint %I, drop constraint %I, drop column device_id, '
                       'add primary key (%s), add foreign key (slot_id) references slot on delete cascade',
                       place.of_table, place.of_table || '_slot_id_device_id_fkey', place.of_table || '_pkey', place.key);
    end loop;
end $$;
alter table swap drop constraint swap_slot_id_device_id_fkey, drop constraint swap_head_id_device_id_fkey,
    drop constraint swap_pkey, add primary key (id), drop constraint swap_movement_id_device_id_key, add unique (movement_id),
    add foreign key (slot_id) references slot on delete cascade;
alter table head drop constraint head_pkey, add primary key (id);
alter table swap add foreign key (head_id) references head on delete set null;
alter table swap_step add foreign key (swap_id) references swap on delete cascade;
alter table swap_photo add foreign key (swap_id) references swap on delete cascade;
alter table head_outlook add foreign key (head_id) references head on delete cascade;
alter table sign drop constraint sign_slot_id_device_id_fkey, drop constraint sign_pkey, add primary key (id),
    add foreign key (slot_id) references slot on delete cascade;
alter table device_alert drop constraint device_alert_pkey, add primary key (id);
alter table device_ask drop constraint device_ask_pkey, add primary key (id);
alter table printed_run drop constraint printed_run_pkey, add primary key (id);
