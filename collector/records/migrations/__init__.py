"""Schema migrations of the record store, run when it is opened."""
