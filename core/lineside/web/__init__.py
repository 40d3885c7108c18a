"""The web page: one file with map, levels, time line and contributions that opens from disk and asks for nothing."""
