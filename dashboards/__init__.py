"""Every face the program shows: the command line, metrics, summaries and scores."""
