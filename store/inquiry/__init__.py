"""Questions an advisor asks of a history: what rose, when, where, in which cows, and did a remedy work."""
