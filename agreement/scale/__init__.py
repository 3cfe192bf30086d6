"""The same sums over many parts: built from chunks, merged in any order, finished once."""
