-- Times in columns that queries compare are nanoseconds since 1970, UTC; 0 is "never". Times in data are RFC 3339.
-- data is the JSON of the Go type named beside it, so that a field more needs no new schema.

CREATE TABLE points (                 -- actions.PointStanding
	ref  TEXT PRIMARY KEY,            -- device.point
	owed INTEGER NOT NULL,
	data TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE links (                  -- actions.LinkStanding
	name TEXT PRIMARY KEY,
	data TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE down (                   -- windows stood down
	window TEXT PRIMARY KEY,
	until  TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE steps (                  -- the switching log: actions.StepStanding
	seq    INTEGER PRIMARY KEY,
	id     TEXT NOT NULL,
	window TEXT NOT NULL,
	device TEXT NOT NULL,
	first  INTEGER NOT NULL,          -- time of the first entry on it
	last   INTEGER NOT NULL,          -- time of the last entry on it
	live   INTEGER NOT NULL,          -- 1: part of standing; 0: kept as log only
	data   TEXT NOT NULL
);
-- An id can come back when a window that is over is moved ahead; its old line stays.
CREATE UNIQUE INDEX steps_live ON steps (id) WHERE live = 1;
CREATE INDEX steps_window ON steps (window);
CREATE INDEX steps_last ON steps (last);

CREATE TABLE newest (                 -- time of the newest entry
	one INTEGER PRIMARY KEY CHECK (one = 1),
	at  TEXT NOT NULL
);

CREATE TABLE windows (                -- Window
	id         TEXT NOT NULL,
	start      INTEGER NOT NULL,
	stop       INTEGER NOT NULL,
	state      TEXT NOT NULL,
	first_seen INTEGER NOT NULL,
	hash       TEXT NOT NULL,
	data       TEXT NOT NULL,
	PRIMARY KEY (id, start)
) WITHOUT ROWID;
CREATE INDEX windows_start ON windows (start);

CREATE TABLE readings (
	ref    TEXT NOT NULL,
	at     INTEGER NOT NULL,
	name   TEXT,                      -- a named value
	number REAL,                      -- a number; both null: unknown
	PRIMARY KEY (ref, at)
) WITHOUT ROWID;
CREATE INDEX readings_at ON readings (at);

CREATE TABLE kv (
	key   TEXT PRIMARY KEY,
	value BLOB NOT NULL
) WITHOUT ROWID;
