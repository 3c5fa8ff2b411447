-- Version 4: readings are kept packed (see packing.py), a tenth of the bytes; those of table sample are moved by the program.
-- Written in log order and never sorted: the zone maps on log_no find one log at once. Packed words hold nothing that
-- could be compressed further, so no time is spent on trying.
CREATE TABLE packed (
    log_no INTEGER NOT NULL,
    word UBIGINT NOT NULL USING COMPRESSION uncompressed
);
