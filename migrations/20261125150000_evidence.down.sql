-- The followers are made anew from the readings.
delete from slot_track;
alter table slot_track add column description text not null;
drop table fitted;
alter table question drop column measure;
drop table answer;
alter table slot drop column first_ml;
alter table slot drop column full_ml;
alter table slot drop column chosen_part_id;
alter table slot add column pinned_polarity text check (pinned_polarity in ('remaining', 'filled'));
comment on column slot.pinned_polarity is 'What a person says that the device counts; null lets the drift tell.';
update slot set pinned_polarity = polarity from polarity_pin where slot_id = slot.id;
drop table polarity_pin;
alter table device drop column cover_open;
drop table sign;
