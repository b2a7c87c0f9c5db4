-- The casebook: one SQLite file for one job. Version 2; changes are in casebook.MIGRATIONS.
-- Times "at" are UTC, ISO 8601. Pressures are pascals, gauge, vacuum negative. Bodies are JSON.

CREATE TABLE subject (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    words TEXT NOT NULL DEFAULT '',          -- the engine and its owner's complaint, in words
    cylinders INTEGER,
    body TEXT NOT NULL DEFAULT '{}'
);

CREATE TABLE rig (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    board_id TEXT NOT NULL,                  -- hexadecimal, '' where it is not known
    channel INTEGER NOT NULL DEFAULT 0,
    part TEXT NOT NULL DEFAULT '',
    body TEXT NOT NULL DEFAULT '{}'          -- sensor line, fittings, identity as last seen
);

CREATE TABLE calibration (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    board_id TEXT NOT NULL,
    channel INTEGER NOT NULL DEFAULT 0,
    body TEXT NOT NULL
);
CREATE TRIGGER calibration_is_kept BEFORE UPDATE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration is never changed: add another'); END;
CREATE TRIGGER calibration_is_not_deleted BEFORE DELETE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration is never deleted: add another'); END;

CREATE TABLE zero (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    board_id TEXT NOT NULL,
    channel INTEGER NOT NULL DEFAULT 0,
    pressure_pa REAL NOT NULL,
    u95_pa REAL NOT NULL,
    body TEXT NOT NULL DEFAULT '{}'
);

CREATE TABLE recording (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('frames', 'samples')),
    source TEXT NOT NULL DEFAULT '',         -- port or file that it came from
    started_at TEXT NOT NULL,
    ended_at TEXT,                           -- NULL: never closed, as after a power cut; what is there is good
    cylinders INTEGER,
    body TEXT NOT NULL DEFAULT '{}'          -- of samples: rate, sensor, zero, sensor line, warnings
);

-- Frames exactly as they came off the wire. `arrivals` holds, for each chunk that was read from the port, its length
-- (u32) and the host's monotonic time in seconds (f64, NaN: not known), little-endian, 12 bytes each.
CREATE TABLE frames_piece (
    id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE,
    bytes BLOB NOT NULL,
    arrivals BLOB NOT NULL
);
CREATE INDEX frames_piece_by_recording ON frames_piece (recording_id, id);

-- Readings that never were frames (CSV): f64, little-endian.
CREATE TABLE samples_piece (
    id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE,
    t_s BLOB NOT NULL,
    pressure_pa BLOB NOT NULL
);
CREATE INDEX samples_piece_by_recording ON samples_piece (recording_id, id);

CREATE TABLE mark (
    id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE,
    key TEXT NOT NULL,
    t_s REAL NOT NULL,
    board_us INTEGER,                        -- the board's clock at the mark, where there is a board
    text TEXT NOT NULL,
    origin TEXT NOT NULL,
    UNIQUE (recording_id, key)
);

CREATE TABLE result (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    kind TEXT NOT NULL,                      -- "assessment", "leak-size" ...
    title TEXT NOT NULL DEFAULT '',
    recording_id INTEGER REFERENCES recording (id) ON DELETE SET NULL,
    body TEXT NOT NULL                       -- the result and everything needed to compute it again
);

CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    layout TEXT NOT NULL DEFAULT '',
    test TEXT NOT NULL,
    pressure_pa REAL,
    u95_pa REAL,
    recording_id INTEGER REFERENCES recording (id) ON DELETE SET NULL,
    body TEXT NOT NULL DEFAULT '{}'
);
