"""Settings as cells of levels, filter and delays: each counted exactly, with its distance from a costlier one."""
