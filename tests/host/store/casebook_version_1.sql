-- The casebook as version 1 made it: without the board's clock beside a mark, and without readings.
PRAGMA application_id = 0x53554D50;
CREATE TABLE subject (id INTEGER PRIMARY KEY CHECK (id = 1), words TEXT NOT NULL DEFAULT '', cylinders INTEGER,
    body TEXT NOT NULL DEFAULT '{}');
CREATE TABLE rig (id INTEGER PRIMARY KEY, at TEXT NOT NULL, board_id TEXT NOT NULL,
    channel INTEGER NOT NULL DEFAULT 0, part TEXT NOT NULL DEFAULT '', body TEXT NOT NULL DEFAULT '{}');
CREATE TABLE calibration (id INTEGER PRIMARY KEY, at TEXT NOT NULL, board_id TEXT NOT NULL,
    channel INTEGER NOT NULL DEFAULT 0, body TEXT NOT NULL);
CREATE TRIGGER calibration_is_kept BEFORE UPDATE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration is never changed: add another'); END;
CREATE TRIGGER calibration_is_not_deleted BEFORE DELETE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration is never deleted: add another'); END;
CREATE TABLE zero (id INTEGER PRIMARY KEY, at TEXT NOT NULL, board_id TEXT NOT NULL,
    channel INTEGER NOT NULL DEFAULT 0, pressure_pa REAL NOT NULL, u95_pa REAL NOT NULL,
    body TEXT NOT NULL DEFAULT '{}');
CREATE TABLE recording (id INTEGER PRIMARY KEY, name TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('frames', 'samples')), source TEXT NOT NULL DEFAULT '',
    started_at TEXT NOT NULL, ended_at TEXT, cylinders INTEGER, body TEXT NOT NULL DEFAULT '{}');
CREATE TABLE frames_piece (id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE, bytes BLOB NOT NULL,
    arrivals BLOB NOT NULL);
CREATE INDEX frames_piece_by_recording ON frames_piece (recording_id, id);
CREATE TABLE samples_piece (id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE, t_s BLOB NOT NULL,
    pressure_pa BLOB NOT NULL);
CREATE INDEX samples_piece_by_recording ON samples_piece (recording_id, id);
CREATE TABLE mark (id INTEGER PRIMARY KEY,
    recording_id INTEGER NOT NULL REFERENCES recording (id) ON DELETE CASCADE, key TEXT NOT NULL, t_s REAL NOT NULL,
    text TEXT NOT NULL, origin TEXT NOT NULL, UNIQUE (recording_id, key));
CREATE TABLE result (id INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, title TEXT NOT NULL DEFAULT '',
    recording_id INTEGER REFERENCES recording (id) ON DELETE SET NULL, body TEXT NOT NULL);
INSERT INTO subject (id, words, cylinders) VALUES (1, 'East Bank pump', 4);
INSERT INTO recording (id, name, kind, started_at) VALUES (1, 'as found', 'samples', '2026-01-02T03:04:05.678+00:00');
INSERT INTO samples_piece (recording_id, t_s, pressure_pa) VALUES (1,
    X'0000000000000000000000000000F03F0000000000000040', X'00000000000049C000000000000059C000000000000069C0');
INSERT INTO mark (recording_id, key, t_s, text, origin) VALUES (1, 'host-1', 1.0, 'closed', 'host');
PRAGMA user_version = 1;
