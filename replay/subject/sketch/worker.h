// The worker's loop: jobs in, answers out, one at a time, each trial in a process of its own forked
// from a board that has already been started up.
#pragma once

namespace trial {

// Reads jobs from `in` until its end, writes answers to `out`. Returns the exit status.
int RunSketchWorker(int in, int out);

}  // namespace trial
