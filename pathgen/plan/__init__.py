"""Planning: settings, layers, supports and platform positions of panels."""
