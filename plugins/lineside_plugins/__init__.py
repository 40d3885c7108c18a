"""The plugins that come with lineside; each folder registers exactly as a stranger's plugin would."""
