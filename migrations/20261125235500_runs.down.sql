drop table media_width;
drop table printed_run;
