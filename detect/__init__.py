"""Pure signal logic of quietclaw: no input or output, no clock, no logging, no randomness."""
