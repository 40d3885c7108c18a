"""From a scene to levels: emission and transfer are computed apart and meet only in a product."""
