-- Where an antenna stood and looked, and what a television's scan found.

ALTER TABLE takes ADD COLUMN x_m REAL; -- with y_m, or neither
ALTER TABLE takes ADD COLUMN y_m REAL;
ALTER TABLE takes ADD COLUMN height_m REAL;
ALTER TABLE takes ADD COLUMN bearing_deg REAL; -- with bearing_from, or neither
ALTER TABLE takes ADD COLUMN bearing_from TEXT;
ALTER TABLE takes ADD COLUMN scan_count INTEGER;
