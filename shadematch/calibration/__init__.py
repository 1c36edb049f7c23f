"""Learn a studio's own pastes from measured test pours."""
