"""The mixed model of the course over visits."""
