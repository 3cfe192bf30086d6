"""The verdict against the limit agreed beforehand, what to know beside it, and how many athletes to plan."""
