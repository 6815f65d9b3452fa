"""Where messages become readings: wire format, broker client, captures, and the pipeline."""
