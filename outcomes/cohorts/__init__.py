"""Who is compared, since when and until when: eligibility, follow-up, draws, flow, baseline."""
