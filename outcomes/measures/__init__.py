"""What each measure is: unit, range, direction, published error and thresholds, scoring."""
