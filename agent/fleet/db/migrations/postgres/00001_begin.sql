-- +goose Up
CREATE TABLE counter (
	name TEXT PRIMARY KEY,
	value BIGINT NOT NULL
);
INSERT INTO counter VALUES ('record', 0);

CREATE TABLE unit (
	id BIGINT PRIMARY KEY,
	name TEXT NOT NULL UNIQUE,
	search TEXT NOT NULL DEFAULT '',
	place TEXT NOT NULL DEFAULT '',
	grp TEXT NOT NULL DEFAULT '',
	model TEXT NOT NULL DEFAULT '',
	contact TEXT NOT NULL DEFAULT '',
	note TEXT NOT NULL DEFAULT '',
	decommissioned BIGINT NOT NULL DEFAULT 0,
	first_heard BIGINT NOT NULL DEFAULT 0,
	last_heard BIGINT NOT NULL DEFAULT 0,
	last_record BIGINT NOT NULL DEFAULT 0,
	status TEXT NOT NULL DEFAULT '',
	status_at BIGINT NOT NULL DEFAULT 0,
	session TEXT NOT NULL DEFAULT '',
	flags BIGINT NOT NULL DEFAULT 0,
	rank BIGINT NOT NULL DEFAULT 52776558133248,
	list TEXT NOT NULL DEFAULT 'well',
	severity TEXT NOT NULL DEFAULT '',
	finding TEXT NOT NULL DEFAULT '',
	subject TEXT NOT NULL DEFAULT '',
	since BIGINT NOT NULL DEFAULT 0,
	charge DOUBLE PRECISION,
	lifts DOUBLE PRECISION,
	work TEXT NOT NULL DEFAULT ''
);
CREATE INDEX unit_rank ON unit (rank, name);

-- What is wide of a unit, so that lists needn't read it.
CREATE TABLE state (
	unit BIGINT PRIMARY KEY,
	sessions TEXT NOT NULL DEFAULT '',
	snapshot TEXT NOT NULL DEFAULT '',
	snapshot_schema TEXT NOT NULL DEFAULT '',
	snapshot_session TEXT NOT NULL DEFAULT '',
	snapshot_seq BIGINT NOT NULL DEFAULT 0,
	snapshot_at BIGINT NOT NULL DEFAULT 0,
	snapshot_mono BIGINT NOT NULL DEFAULT 0,
	snapshot_trusted SMALLINT NOT NULL DEFAULT 0,
	clock_off DOUBLE PRECISION,
	worklist TEXT NOT NULL DEFAULT ''
);

CREATE TABLE stream (
	id BIGINT PRIMARY KEY,
	unit BIGINT NOT NULL,
	kind SMALLINT NOT NULL,
	session TEXT NOT NULL,
	first BIGINT NOT NULL,
	through BIGINT NOT NULL,
	last BIGINT NOT NULL,
	have BYTEA NOT NULL,
	gone BYTEA NOT NULL,
	heard BIGINT NOT NULL,
	missing BIGINT NOT NULL,
	gone_count BIGINT NOT NULL,
	asked BIGINT NOT NULL,
	asked_at BIGINT NOT NULL,
	ask_next BIGINT NOT NULL,
	UNIQUE (unit, kind, session)
);
CREATE INDEX stream_missing ON stream (ask_next) WHERE missing > 0;
CREATE INDEX stream_gone ON stream (gone_count) WHERE gone_count > 0;

-- Partitions by month are made as records come.
CREATE TABLE record (
	id BIGINT NOT NULL,
	unit BIGINT NOT NULL,
	kind SMALLINT NOT NULL,
	stream BIGINT NOT NULL,
	seq BIGINT NOT NULL,
	at BIGINT NOT NULL,
	mono BIGINT NOT NULL,
	trusted SMALLINT NOT NULL,
	received BIGINT NOT NULL,
	body TEXT NOT NULL
) PARTITION BY RANGE (received);
CREATE INDEX record_id ON record (id);
CREATE INDEX record_unit ON record (unit, kind, id);
-- Of the rare kinds, for cursors that read only those.
CREATE INDEX record_rare ON record (kind, id) WHERE kind < 2;
-- lz4 takes a fifth of the time of the other method; servers may be built without it.
-- +goose StatementBegin
DO $$ BEGIN
	ALTER TABLE record ALTER COLUMN body SET COMPRESSION lz4;
EXCEPTION WHEN OTHERS THEN NULL;
END $$;
-- +goose StatementEnd

CREATE TABLE gap (
	id BIGINT PRIMARY KEY,
	unit BIGINT NOT NULL,
	kind SMALLINT NOT NULL,
	session TEXT NOT NULL,
	from_seq BIGINT NOT NULL,
	to_seq BIGINT NOT NULL,
	because TEXT NOT NULL,
	received BIGINT NOT NULL
);
CREATE INDEX gap_unit ON gap (unit, id);

CREATE TABLE standing (
	unit BIGINT NOT NULL,
	finding TEXT NOT NULL,
	subject TEXT NOT NULL,
	stands SMALLINT NOT NULL,
	severity TEXT NOT NULL,
	session TEXT NOT NULL,
	mono BIGINT NOT NULL,
	at BIGINT NOT NULL,
	trusted SMALLINT NOT NULL,
	heard BIGINT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (unit, finding, subject)
);

CREATE TABLE alarm (
	id BIGINT PRIMARY KEY,
	unit BIGINT NOT NULL,
	finding TEXT NOT NULL,
	subject TEXT NOT NULL,
	severity TEXT NOT NULL,
	raised BIGINT NOT NULL,
	ended BIGINT NOT NULL
);
CREATE INDEX alarm_open ON alarm (unit, finding, subject) WHERE ended = 0;
CREATE INDEX alarm_ended ON alarm (ended);

CREATE TABLE flag (
	unit BIGINT NOT NULL,
	flag TEXT NOT NULL,
	since BIGINT NOT NULL,
	last BIGINT NOT NULL,
	detail TEXT NOT NULL,
	PRIMARY KEY (unit, flag)
);

CREATE TABLE work (
	unit BIGINT NOT NULL,
	finding TEXT NOT NULL,
	subject TEXT NOT NULL,
	state TEXT NOT NULL,
	at BIGINT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (unit, finding, subject)
);

CREATE TABLE audit (
	id BIGINT PRIMARY KEY,
	at BIGINT NOT NULL,
	who TEXT NOT NULL,
	address TEXT NOT NULL,
	action TEXT NOT NULL,
	unit TEXT NOT NULL,
	detail TEXT NOT NULL
);
CREATE INDEX audit_unit ON audit (unit, id);
CREATE INDEX audit_who ON audit (who, id);

CREATE TABLE account (
	name TEXT PRIMARY KEY,
	role TEXT NOT NULL,
	password BYTEA NOT NULL,
	disabled SMALLINT NOT NULL,
	made BIGINT NOT NULL
);

CREATE TABLE login (
	key BYTEA PRIMARY KEY,
	account TEXT NOT NULL,
	made BIGINT NOT NULL,
	seen BIGINT NOT NULL,
	ends BIGINT NOT NULL
);
CREATE INDEX login_account ON login (account);

CREATE TABLE position (
	name TEXT PRIMARY KEY,
	id BIGINT NOT NULL
);

CREATE TABLE quarantine (
	id BIGINT PRIMARY KEY,
	at BIGINT NOT NULL,
	topic TEXT NOT NULL,
	unit TEXT NOT NULL,
	reason TEXT NOT NULL,
	detail TEXT NOT NULL,
	retained SMALLINT NOT NULL,
	bytes BIGINT NOT NULL,
	payload BYTEA NOT NULL
);
