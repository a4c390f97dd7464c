-- One pass over the wanted channels. AUTOINCREMENT: the number of a purged take is never given again.
CREATE TABLE takes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    antenna TEXT NOT NULL,
    spot TEXT NOT NULL,
    taken_at TEXT NOT NULL,         -- RFC 3339, always nine digits after the point, so that text order is time order
    source TEXT NOT NULL,
    terminated TEXT,
    plan TEXT NOT NULL,
    sample_rate_hz REAL NOT NULL,
    dwell_s REAL NOT NULL,
    gains_db TEXT NOT NULL,         -- JSON: [[centre in Hz, gain in dB], ...]
    note TEXT NOT NULL,
    readings INTEGER NOT NULL,      -- how many there are, and how many of them in each state
    vacant INTEGER NOT NULL,
    trace INTEGER NOT NULL,
    brink INTEGER NOT NULL,
    firm INTEGER NOT NULL,
    fingerprint BLOB NOT NULL,      -- SHA-256 of what makes it this take and no other
    deleted_at TEXT
) STRICT;

CREATE INDEX takes_by_fingerprint ON takes (fingerprint);

-- One channel in one take. The figures are 64-bit floating-point numbers, little-endian, NaN where there is none:
-- low_hz, high_hz, covered, noise_type_b, signal_upper, threshold_db, then value, standard error and degrees of freedom
-- of power, noise and signal. A later version may add more at the end.
CREATE TABLE readings (
    take_id INTEGER NOT NULL REFERENCES takes (id) ON DELETE CASCADE,
    seq INTEGER NOT NULL,
    channel ANY NOT NULL,           -- integer, or text such as '9A'
    state TEXT,
    found INTEGER NOT NULL,
    figures BLOB NOT NULL,
    rest TEXT,                      -- JSON of what many channels share
    PRIMARY KEY (take_id, seq)
) STRICT, WITHOUT ROWID;

-- The stitched spectrum of a take: little-endian 16-bit hundredths of a dB(FS in 1 MHz), -32768 where nothing is.
CREATE TABLE spectra (
    take_id INTEGER PRIMARY KEY REFERENCES takes (id) ON DELETE CASCADE,
    first_hz REAL NOT NULL,
    step_hz REAL NOT NULL,
    density BLOB NOT NULL
) STRICT;

CREATE TABLE settings (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
