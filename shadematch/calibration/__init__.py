"""Own pastes from measured test pours: spectra, what is not known of them, odd pours.

Knows of pours and readings; the soap on order is none of its business.
"""
