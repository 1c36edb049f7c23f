"""What tests are made of: invented palettes, worlds, photos, batches, spoilt files."""
