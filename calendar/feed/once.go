package feed

import "context"

// ReadOnce reads what s.URL names, once, without a copy of before: the way of an address given on the command line.
// Only s.URL need be set. A file may then also be a pipe. The error is that of the poll, an [*Error], or of [New]; for a
// folder or collection with bad members it is nil and Result.Problems names them.
func ReadOnce(ctx context.Context, s Spec, o Options) (Result, error) {
	o.Store = nil
	f, err := New(s, o)
	if err != nil {
		return Result{}, err
	}
	if d, ok := f.source.(*disk); ok {
		d.stream = true
	}
	r := f.Poll(ctx)
	if err := f.Close(); r.Err == nil && err != nil {
		return r, err
	}
	return r, r.Err
}
