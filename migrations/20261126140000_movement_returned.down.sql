drop index movement_returned;
