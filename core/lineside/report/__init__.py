"""The assessment report: selects, words and lays out what the results document holds, and computes nothing."""
