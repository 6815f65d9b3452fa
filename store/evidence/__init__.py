"""Statistics as pure functions: numbers in, numbers with their uncertainty out."""
