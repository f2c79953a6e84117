-- +goose Up
-- What a unit's snapshots said, a row a day: its past over months.
CREATE TABLE daily (
	unit BIGINT NOT NULL,
	day BIGINT NOT NULL, -- since 1970, UTC
	at BIGINT NOT NULL,
	low DOUBLE PRECISION, -- least charge of the bank, %
	since_full DOUBLE PRECISION, -- most, s
	rested TEXT NOT NULL, -- the last known of the day
	figures TEXT NOT NULL, -- as the day's last snapshot had them
	PRIMARY KEY (unit, day)
) WITHOUT ROWID;
CREATE INDEX alarm_unit ON alarm (unit, raised);

-- A unit that is parked may be silent.
ALTER TABLE unit RENAME COLUMN quiet TO parked_until;
ALTER TABLE unit ADD COLUMN parked_from TEXT NOT NULL DEFAULT '';
ALTER TABLE unit ADD COLUMN parked_reason TEXT NOT NULL DEFAULT '';
ALTER TABLE unit ADD COLUMN parked_by TEXT NOT NULL DEFAULT '';
ALTER TABLE unit ADD COLUMN parked_at BIGINT NOT NULL DEFAULT 0; -- when that was said
CREATE INDEX unit_parked ON unit (id) WHERE parked_until <> '';
