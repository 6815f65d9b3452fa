"""The advisor's report: what was found as JSON, as one self-contained page, and as PDF."""
