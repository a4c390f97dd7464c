-- A reading's figures go on after those of version 1: offset, its standard error, value, standard error and degrees of
-- freedom of the power, signal-to-noise ratio in dB and noise bandwidth of the pilot; sigma_sp and its standard error,
-- tilt and its standard error, ripple, notch and its place, lower end, upper end and resolution of the shape; delay, its
-- standard error, level and false alarm of the echo. Figures that are absent at the end of a row are left out.

ALTER TABLE takes ADD COLUMN frequency_error TEXT; -- JSON

-- How the receiver fared in a take, as JSON: tuning by tuning, and at a second gain. Comparing takes doesn't need it.
CREATE TABLE receivers (
    take_id INTEGER PRIMARY KEY REFERENCES takes (id) ON DELETE CASCADE,
    tunings TEXT NOT NULL,
    gain_check TEXT
) STRICT;
