"""Other people's videos, logs and bags, made into recordings."""
