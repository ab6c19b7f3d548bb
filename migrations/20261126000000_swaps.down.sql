drop table swap_photo;
drop table swap_step;
drop function swap_step_keeps_turns();
drop table swap;
drop table guide;
