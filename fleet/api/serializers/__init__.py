"""What goes out (`…Out`) and what comes in, by subject. SI throughout; names carry the unit."""
