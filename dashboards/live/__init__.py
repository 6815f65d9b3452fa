"""The live page: what it shows, and how it reaches the browsers."""
