"""Pure functions over numpy arrays: what happens to air, solvent and film."""
