"""History of quietclaw: one DuckDB file, one writer, the tables of the contract."""
