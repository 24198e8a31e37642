// Package shopfile reads and writes the hand-written shop file.
package shopfile
