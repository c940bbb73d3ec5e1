"""What a device's past teaches: pressure per turn, drift between visits. Pure functions over facts; no verdicts."""
