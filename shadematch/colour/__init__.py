"""Light, observers, CIELAB and CIEDE2000.

Knows nothing of soap: numbers in, numbers out.
"""
