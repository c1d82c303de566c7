"""Where the rooms meet: intake, assessment, site check, housekeeping, the leak test, rejected messages read again."""
