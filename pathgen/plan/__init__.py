"""Planning: panels with their settings, layers, supports and places on the platform."""
