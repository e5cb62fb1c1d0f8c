"""Settings laid out as cells of levels, filter and delays: each counted exactly, and how far it is from a costlier one."""
