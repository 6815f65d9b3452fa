"""Tables of many parlors: kept in memory for a day, written as partitions, asked all at once."""
