-- +goose Up
-- Until when a unit may be silent.
ALTER TABLE unit ADD COLUMN quiet TEXT NOT NULL DEFAULT '';
ALTER TABLE audit ADD COLUMN was TEXT NOT NULL DEFAULT '';
ALTER TABLE audit ADD COLUMN became TEXT NOT NULL DEFAULT '';
INSERT INTO counter VALUES ('revision', 0);
-- A page of a list in its order.
CREATE INDEX unit_list ON unit (list, rank, name);
-- What the counts of a worklist are made from, so that they needn't read the units.
CREATE INDEX unit_counts ON unit (decommissioned, list, severity, last_record, grp);

-- Parts to bring, as package worklist names them.
CREATE TABLE part (
	unit BIGINT NOT NULL,
	part TEXT NOT NULL,
	count BIGINT NOT NULL,
	PRIMARY KEY (unit, part)
);
