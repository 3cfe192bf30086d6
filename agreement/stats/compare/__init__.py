"""Two field methods against the same laboratory tests."""
