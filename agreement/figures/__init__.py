"""Pictures: results in, Axes out."""
