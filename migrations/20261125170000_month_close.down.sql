drop function slot_months(date[], timestamptz[], timestamptz[]);
drop table month_close_adjustment, month_close_supply, month_close;
drop function month_close_is_kept();
