-- +goose Up
-- Whether a raise is known already.
CREATE INDEX alarm_raised ON alarm (unit, finding, subject, raised);
DROP INDEX alarm_open;
