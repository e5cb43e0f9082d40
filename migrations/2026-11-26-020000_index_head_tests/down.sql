drop index log_entries_judging;
drop index log_entries_head_tests;
