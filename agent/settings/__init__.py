"""Settings: one TOML file in, a checked plan out, or every fault in it at once."""
