"""What changed from one assessment to the next: inputs, methods, results."""
