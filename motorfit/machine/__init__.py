"""Physics of the machine: pure functions of arrays in SI units."""
