// Package crosscheck holds nothing but tests. Each feeds one part of the rules (charge, load test,
// network, forecast) with what an agent's rules are handed, from the simulator or from a published
// model, and judges that part alone against the truth.
package crosscheck
