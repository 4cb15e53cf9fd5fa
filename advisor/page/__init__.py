"""The visit on a phone: a small server over a folder of logs, a second face on procedure, dialogue, wording and log."""
