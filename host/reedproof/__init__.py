"""reedproof: proves reed contacts. See README.md; the public parts are the modules by their names."""
