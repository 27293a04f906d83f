"""From journal to verdict: plans, the record, facts, verdicts and reports. Pure but for `sessions.store`."""
