"""HTTP: one file a noun. A handler takes typed parameters, makes one call into the core and returns."""
