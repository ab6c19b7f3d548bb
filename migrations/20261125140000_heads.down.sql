drop table power_run;
drop table head_outlook;
drop table head;
drop function head_keeps_turns;
drop table plumbing;
