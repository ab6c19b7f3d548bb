drop table movement, lot, part_fit, part;
drop function movement_keeps_stock, movement_is_kept;
