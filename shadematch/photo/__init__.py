"""From a photo to a target and its uncertainty.

Knows cameras, charts and paper; no recipes, but how a camera sees bars of known pastes.
"""
