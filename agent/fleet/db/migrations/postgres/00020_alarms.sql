-- +goose Up
-- Whether a raise is known already.
CREATE INDEX alarm_raised ON alarm (unit, finding, subject, raised);
DROP INDEX alarm_open;
-- Rows that change all the time: the new one finds room beside the old one, and needs no new entry in an
-- index.
ALTER TABLE stream SET (fillfactor = 50);
ALTER TABLE unit SET (fillfactor = 50);
ALTER TABLE counter SET (fillfactor = 10);
ALTER TABLE alarm SET (fillfactor = 80);
-- +goose StatementBegin
DO $$ BEGIN
	ALTER TABLE state ALTER COLUMN snapshot SET COMPRESSION lz4;
	ALTER TABLE state ALTER COLUMN worklist SET COMPRESSION lz4;
	ALTER TABLE standing ALTER COLUMN body SET COMPRESSION lz4;
EXCEPTION WHEN OTHERS THEN NULL;
END $$;
-- +goose StatementEnd
