"""Files and questions made to do harm: nothing outside is read, asked or written, and the refusal is in words."""
