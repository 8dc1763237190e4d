"""Data tables that come with tackfree, each value with its source."""
