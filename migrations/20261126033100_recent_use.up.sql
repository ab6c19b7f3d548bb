-- Beside the pace that a day's forecast went by, what really went of late, as it was known then: whoever holds the one
-- against the other later on must not know more of it than was known.

alter table outlook_day add column recent_use double precision;
comment on column outlook_day.recent_use is
    'Use per day over the seven days before, as it was known when the forecast was made, in the measure; null where it '
    'was not kept yet.';
