"""What recorded data says. Pure functions: arrays and records in, results out."""
