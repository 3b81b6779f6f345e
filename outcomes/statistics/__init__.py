"""Pure functions: frames and numbers in, results out. Nothing here draws, prints or reads files."""
