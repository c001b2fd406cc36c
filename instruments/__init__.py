"""Everything that talks to, or stands in for, hardware."""
