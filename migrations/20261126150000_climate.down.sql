drop table device_climate;
