"""The register of the plant: its file, the checks that one part against another, and what the engine is given."""
