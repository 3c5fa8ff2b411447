-- Version 3: who was forgotten is remembered by keyed hashes alone, so that the next reading doesn't bring them back.
CREATE TABLE forgotten_key (key_hex VARCHAR NOT NULL);

CREATE TABLE forgotten (
    stand_in VARCHAR NOT NULL,
    -- id: the register's technician_id; name: the whole name; part: one word of it
    kind VARCHAR NOT NULL,
    words BIGINT NOT NULL,
    digest VARCHAR NOT NULL
);
