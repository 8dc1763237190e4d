"""Judgements: physics applied to readings and records."""
