-- Version 1: what the tables of the contract are made from.

CREATE TABLE log_file (
    log_no INTEGER NOT NULL,
    path VARCHAR NOT NULL,
    sha256 VARCHAR,
    bytes BIGINT,
    mtime_ns BIGINT,
    reader_sha256 VARCHAR,
    status VARCHAR NOT NULL,
    readings BIGINT,
    refused_lines BIGINT,
    first_reading_at TIMESTAMP WITH TIME ZONE
);

-- Written in log order and never sorted: the zone maps on log_no find one log at once.
CREATE TABLE sample (
    log_no INTEGER NOT NULL,
    elapsed_s DOUBLE NOT NULL,
    pressure_micron DOUBLE,
    ambient_c DOUBLE
);

CREATE TABLE mark (
    log_no INTEGER NOT NULL,
    elapsed_s DOUBLE NOT NULL,
    text VARCHAR
);

CREATE TABLE register_file (
    name VARCHAR NOT NULL,
    path VARCHAR,
    sha256 VARCHAR,
    rows_read BIGINT,
    rows_stored BIGINT,
    rows_refused BIGINT,
    fields_refused BIGINT,
    missing_columns VARCHAR[]
);

CREATE TABLE run (
    run_no BIGINT NOT NULL,
    stage VARCHAR NOT NULL,
    as_of DATE,
    month VARCHAR,
    ran_at TIMESTAMP WITH TIME ZONE,
    settings_sha256 VARCHAR,
    settings_json VARCHAR,
    input_sha256 VARCHAR,
    versions_json VARCHAR,
    counts_json VARCHAR
);
