"""The JSON API: routers by noun, dependencies, and problems (all that knows HTTP statuses)."""
