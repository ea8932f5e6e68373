"""The commands, by what they are for; ``cli`` puts them together."""
