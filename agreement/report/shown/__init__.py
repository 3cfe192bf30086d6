"""What `agreement.report` offers: a cohort for a report, its sections, and the page they stand on."""
