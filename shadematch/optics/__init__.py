"""From absorption, scattering and thickness to reflectance and transmittance."""
