"""What a probe can be believed to: circles, repeatability, uncertainty, conformity, capability. Pure; micrometres."""
