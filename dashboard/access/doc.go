// Package access says who may see and do what: accounts with roles and rigs, passwords,
// sessions, the lock-out of who guesses, and the audit of who did what.
//
//	role.go       what each role may, and which rigs a person sees
//	password.go   argon2id hashes, and how many are worked out at once
//	accounts.go   the file of accounts
//	sessions.go   who is signed in, by the digest of a token
//	lockout.go    how long after wrong passwords nobody is let in; pure
//	audit.go      the file of who did what
//	gate.go       all of these together, as the page's server asks them
//
// It may not know of HTTP, of rigs beyond their names, or of alarms; time is handed in.
package access
