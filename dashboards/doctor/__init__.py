"""Looks for the commonest mistakes of an installation and says what to do about each."""
