"""Many parlors at once: captures in folders, worked through day by day, by processes or by Spark."""
