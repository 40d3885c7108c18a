"""The project file: its model, its loader, its checks, its schema, and a starter."""
