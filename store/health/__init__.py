"""Udder-health records from elsewhere: read, checked, and kept beside the milkings."""
