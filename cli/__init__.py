"""The groundpace command."""
