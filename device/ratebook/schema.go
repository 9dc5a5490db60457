package ratebook

// applicationID marks the file as a rate book (PRAGMA application_id): "BFbk".
const applicationID = 0x4246626b

// migrations are the steps from an empty file to the newest form. PRAGMA
// user_version counts those done. A step that was released is never changed: what
// comes later, other tables too, is appended.
func migrations() []string {
	return []string{`
CREATE TABLE run (
	id             INTEGER PRIMARY KEY AUTOINCREMENT,
	checksum       TEXT    NOT NULL UNIQUE,
	when_ms        INTEGER NOT NULL, -- since 1970-01-01T00:00:00Z
	job            TEXT    NOT NULL,
	material       TEXT    NOT NULL,
	pad            TEXT    NOT NULL,
	slurry         TEXT    NOT NULL,
	note           TEXT    NOT NULL,
	pad_mm         REAL    CHECK (pad_mm > 0),
	force_n        REAL    CHECK (force_n > 0),
	pressure_pa    REAL    CHECK (pressure_pa > 0),
	speed_m_s      REAL    CHECK (speed_m_s > 0),
	preston_per_pa REAL    NOT NULL CHECK (preston_per_pa > 0),
	preston_rel_sd REAL    NOT NULL CHECK (preston_rel_sd > 0),
	glazing_s      REAL    CHECK (glazing_s > 0),
	removed_um     REAL    CHECK (removed_um > 0),
	polished_s     REAL    CHECK (polished_s > 0)
) STRICT`, `
CREATE TABLE attempt (
	id           INTEGER PRIMARY KEY AUTOINCREMENT,
	when_ms      INTEGER NOT NULL, -- since 1970-01-01T00:00:00Z
	trainee      TEXT    NOT NULL CHECK (trainee <> ''),
	lesson       TEXT    NOT NULL CHECK (lesson <> ''),
	assistance   TEXT    NOT NULL,
	seed         TEXT    NOT NULL,
	speed        REAL    NOT NULL, -- 0: by a script
	passed       INTEGER NOT NULL CHECK (passed IN (0, 1)),
	score        INTEGER NOT NULL CHECK (score BETWEEN 0 AND 100),
	target_um    REAL    NOT NULL CHECK (target_um > 0),
	floor_um     REAL    NOT NULL CHECK (floor_um >= 0),
	tolerance_um REAL    NOT NULL CHECK (tolerance_um >= 0),
	thinnest_um  REAL    NOT NULL CHECK (thinnest_um >= 0),
	lost_s       REAL    NOT NULL CHECK (lost_s >= 0),
	fault        TEXT    NOT NULL
) STRICT`,
	}
}
