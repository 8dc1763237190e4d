"""The shop's records: pieces, materials, mixes, coats, checks and outcomes."""
