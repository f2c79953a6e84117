-- +goose Up
-- Until when the unit's board is switched off on purpose, in ms since 1970; 0: it is not.
ALTER TABLE unit ADD COLUMN asleep_until BIGINT NOT NULL DEFAULT 0;
