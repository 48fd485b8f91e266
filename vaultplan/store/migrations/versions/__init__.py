"""One file per step; a step never changes once it is released."""
