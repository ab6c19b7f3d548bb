-- As before, but each reading finds the next of its day by their order, and does not look through the whole month for it.
create or replace function pack_readings(device bigint, of_month date, before timestamptz, day_zone text) returns void language plpgsql as $$
declare
    begins timestamptz := of_month::timestamp at time zone 'UTC';
    ends   timestamptz := (of_month + interval '1 month') at time zone 'UTC';
begin
    with gone as (
        delete from reading where device_id = device and at >= begins and at < least(ends, before) returning *
    ), came as (
        select slot_id, at, previous_at, unit, max_capacity, level from gone
        union all
        select slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked
        where device_id = device and month = of_month
    ), marked as (
        select *, lead(at) over (partition by slot_id, (at at time zone day_zone)::date order by at) is null as is_last from came
    ), kept as (
        select * from marked
        where day_zone is null or is_last
           or exists (select from install where install.slot_id = marked.slot_id and from_at = marked.at)
           or not exists (select from slot_base where slot_base.device_id = device and slot_base.slot_id = marked.slot_id
                          and detail_at >= ends)
    ), polled as (
        select at, row_number() over (order by at)::integer as place, at - coalesce(lag(at) over (order by at), begins) as step
        from (select at from kept union select previous_at from kept where previous_at is not null) every
    ), placed as (
        select slot_id, kept.at, unit, max_capacity, now.place - before.place as back,
               now.place - coalesce(lag(now.place) over slots, 0) as place_step,
               as_integer(level::bigint - coalesce(lag(level) over slots, 0)) as level_step
        from kept join polled now on now.at = kept.at left join polled before on before.at = kept.previous_at
        window slots as (partition by slot_id order by kept.at)
    ), packed as (
        select array_agg(slot_id order by slot_id, at) as slots, array_agg(place_step order by slot_id, at) as place_steps,
               array_agg(back order by slot_id, at) as backs, array_agg(unit order by slot_id, at) as units,
               array_agg(max_capacity order by slot_id, at) as capacities,
               array_agg(level_step order by slot_id, at) as level_steps
        from placed
    ), polls as (
        select array_agg((extract(epoch from step) * 1000000)::bigint order by place) as poll_steps from polled
    )
    insert into reading_month as month (device_id, month, daily, poll_steps, slots, place_steps, backs, units, capacities,
                                        level_steps)
    select device, of_month, day_zone is not null, poll_steps, slots, place_steps, backs, units, capacities, level_steps
    from packed, polls where slots is not null
    on conflict (device_id, month) do update
        set daily = excluded.daily, poll_steps = excluded.poll_steps, slots = excluded.slots,
            place_steps = excluded.place_steps, backs = excluded.backs, units = excluded.units,
            capacities = excluded.capacities, level_steps = excluded.level_steps;
end $$;
