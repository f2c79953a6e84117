-- +goose Up
-- Until when somebody works on the unit, in ms since 1970; 0: nobody does. Few units have it.
ALTER TABLE unit ADD COLUMN work_ends BIGINT NOT NULL DEFAULT 0;
CREATE INDEX unit_under_way ON unit (work_ends) WHERE work_ends > 0;
