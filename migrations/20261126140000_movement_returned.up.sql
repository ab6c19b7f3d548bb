-- What came back of a unit is asked for with every look at the shelf, and few movements are of that kind.
create index movement_returned on movement (lot_id) where kind = 'returned';
