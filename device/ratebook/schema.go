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
) STRICT`,
	}
}
