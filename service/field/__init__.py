"""What a field script needs to post its records. Knows the words of ``service.entries`` and nothing else of ours."""
