"""Time series of readings: the promise (``base``) and the backends that keep it."""
