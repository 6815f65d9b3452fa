"""A fictional rotary dairy: physics of air, milk, arm and cow; it knows the wire, never the detector."""
