"""Files: readers of every format a utility exports, as one stream of chunks of text rows."""
