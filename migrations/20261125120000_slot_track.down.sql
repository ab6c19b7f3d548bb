drop table question, slot_track;
alter table slot drop column pinned_polarity;
update install set arrival = 'risen' where arrival = 'renamed';
alter table install drop constraint install_arrival_check;
alter table install add constraint install_arrival_check
    check (arrival in ('found', 'risen', 'resized', 'fallen'));
alter table install drop column confidence;
