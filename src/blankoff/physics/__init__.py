"""Physics of an evacuation: arrays in, arrays out; nothing here knows a log or a fleet."""
