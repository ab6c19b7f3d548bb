-- A large print room, as the service would have left it: what pages read, and nothing that only the poller needs.
-- $machines machines of 16 supplies each; the present is $now.

set session_replication_role = replica;

insert into site (name, time_zone) values ('Vellmoor Opera', 'Europe/Lisbon');
insert into credential (name, version, community) values ('v2c', 'v2c', '\x01');

insert into device (site_id, credential_id, name, host, cost_centre, added_at, last_poll_at, last_answer_at, fault,
                    failures, model, location, serial, device_status, printer_status, detected_errors, up_since)
select 1, 1, 'Loom ' || lpad(n::text, 5, '0'), '10.' || n / 65536 || '.' || n / 256 % 256 || '.' || n % 256,
       'Workshop ' || n % 40, now_at - interval '120 days', now_at - n % 900 * interval '1 second',
       now_at - case when n % 100 = 7 then interval '3 days' else n % 900 * interval '1 second' end,
       case when n % 100 = 7 then 'no answer within 2 seconds, asked three times' end, case when n % 100 = 7 then 9 else 0 end,
       'Vellmoor wide ' || n % 12, 'Hall ' || n % 70, 'VO-' || n, 2, 3, case when n % 50 = 3 then 8 else 0 end,
       now_at - interval '30 days'
from generate_series(1, $machines) n, (select '$now'::timestamptz as now_at) present;

insert into poll_span (device_id, started_at, ended_at, polls)
select id, added_at, last_answer_at, 11000 from device;
update device set first_answer_at = added_at, run_started_at = added_at;
insert into power_run (device_id, started_at, ended_at, asleep)
select id, added_at + n * interval '12 hours', added_at + (n + 1) * interval '12 hours', n % 2 = 1
from device, generate_series(60, 239) n;
insert into marker (device_id, marker_index, counter_unit, technology, life_count) select id, 1, 16, 12, 40000 from device;
insert into media_input (device_id, input_index, kind, name, unit, max_capacity, level)
select id, n, 4, 'Roll ' || n, 17, 45, 20 from device, generate_series(1, 2) n;

insert into slot (device_id, supply_index, marker, class, kind, colorant, description, unit, max_capacity, level,
                  changed_at, seen_at, digested_to)
select id, n, 1, case n when 16 then 4 else 3 end, case n when 16 then 8 else 6 end,
       case n when 16 then null else (array['cyan', 'magenta', 'yellow', 'matte black', 'photo black', 'light cyan',
           'light magenta', 'grey', 'light grey', 'orange', 'violet', 'green', 'red', 'blue', 'white'])[n] end,
       case n when 16 then 'Waste receptacle' else 'Ink cartridge' end, 15, case n when 16 then 15000 else 7750 end,
       4000, last_answer_at, last_answer_at, last_answer_at
from device, generate_series(1, 16) n;

insert into slot_track (device_id, slot_id, version, state, seen_at, waiting, polarity, ground)
select device_id, id, 0, '{}', seen_at, false, 'remaining', 'container' from slot;

insert into install (device_id, slot_id, from_at, to_at, arrival, measure, capacity, start_left, end_left)
select device_id, id, seen_at - interval '120 days', seen_at - interval '40 days', 'found', 'ml', max_capacity / 10.0,
       max_capacity / 10.0, 12 from slot;
insert into install (device_id, slot_id, from_at, arrival, measure, capacity, start_left, end_left)
select device_id, id, seen_at - interval '40 days', 'risen', 'ml', max_capacity / 10.0, max_capacity / 10.0, level / 10.0 from slot;

insert into reading (device_id, slot_id, at, previous_at, unit, max_capacity, level)
select device_id, id, seen_at - n * interval '3 days', seen_at - n * interval '3 days' - interval '15 minutes', unit, max_capacity,
       greatest(50, level + n * 300 - case when n > 13 then 7000 else 0 end)
from slot, generate_series(0, 9) n;

insert into ledger_month (device_id, slot_id, month, install_id, days, used)
select device_id, slot_id, date_trunc('month', day)::date, id, array_agg(extract(day from day)::smallint order by day),
       array_agg(1 + slot_id % 17 order by day)
from install, lateral (select '$today'::date - n * 4 as day from generate_series(0, 9) n) days
where to_at is null group by 1, 2, 3, 4;

insert into outlook (device_id, slot_id, as_of, made_at, measure, capacity, quality, remaining, step, unlimited, daily_use, early,
                     middle, late, not_yet, order_by)
select device_id, id, seen_at, seen_at, 'ml', max_capacity / 10.0, 'measured', level / 10.0, 0.1, false, 1 + id % 17,
       case when id % 40 <> 0 then day end, case when id % 40 <> 0 then day + 5 + (ends / 4)::integer end,
       case when id % 40 <> 0 then day + 9 + (ends / 2)::integer end,
       case when id % 40 = 0 then 'its use is too little to say' end, case when id % 40 <> 0 then day - 7 end
from (select slot.*, (id * 7919) % 400 + 1 as ends, '$today'::date + ((id * 7919) % 400 + 1)::integer as day from slot) slot;
insert into slot_pace (device_id, slot_id, per_day, variance, doubt) select device_id, id, 1 + id % 17, 40, 0.02 from slot;

insert into head (device_id, position, in_on, warranty_until, limit_ml, booked_at, who, why)
select id, n, '$today'::date - 100, '$today'::date + 200, 1200, added_at, 'Ada', 'came with the machine'
from device, generate_series(1, 8) n;
insert into head_outlook (device_id, head_id, made_at, ml, daily_ml, early, middle, late)
select device_id, id, booked_at, 400, 4, '$today'::date + 150, '$today'::date + 200, '$today'::date + 260 from head;

insert into device_alert (device_id, severity, alert_group, group_index, location, code, description, first_seen_at)
select id, 4, 11, 1, 0, 1104, 'Ink low', last_answer_at from device where id % 7 = 0;
insert into alert (rule, device_id, slot_id, severity, opened_at, cleared_at, summary)
select 'low_supply', device_id, id, 'warning', seen_at - interval '4 days', null, 'Ink is below a tenth'
from slot where id % 80 = 5;
insert into alert (rule, device_id, slot_id, severity, opened_at, cleared_at, summary)
select 'low_supply', device_id, id, 'warning', seen_at - n * interval '20 days',
       seen_at - n * interval '20 days' + interval '6 days', 'Ink is below a tenth'
from slot, generate_series(1, 3) n where id % 8 = 3;

insert into part (number, kind, colour, capacity, measure, shelf_life_months, price_minor, currency, supplier, lead_days,
                  lead_spread_days)
select 'VO-' || upper(replace(colorant, ' ', '-')), 'cartridge', colorant, 775, 'ml', 30, 18900, 'EUR', 'Ropewalk', 7, 2
from slot where device_id = 1 and supply_index < 16
union all select 'VO-WASTE', 'receptacle', null, null, null, null, 6900, 'EUR', 'Ropewalk', 7, 2;
insert into lot (part_id, made_on, place) select id, '$today'::date - 90 * n, 'Shelf ' || n from part, generate_series(1, 5) n;
insert into movement (lot_id, kind, quantity, at, who, why)
select lot.id, 'received', 40, '$now'::timestamptz - n * interval '9 days', 'Ada', '' from lot, generate_series(1, 12) n;
insert into supply_order (supplier, state, sent_at, expected_on)
select 'Ropewalk', 'sent', '$now'::timestamptz - n * interval '2 days', '$today'::date + 5 from generate_series(1, 40) n;
insert into supply_order_line (order_id, part_id, units, price_minor, currency)
select supply_order.id, part.id, 60, 18900, 'EUR' from supply_order, part;

set session_replication_role = origin;
analyze;
