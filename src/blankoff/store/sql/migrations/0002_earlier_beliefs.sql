-- Version 2: what was believed before a correction is moved aside, and each run says how many rows it moved.
ALTER TABLE run ADD COLUMN rows_superseded BIGINT;
