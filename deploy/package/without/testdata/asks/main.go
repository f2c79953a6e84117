// Command asks asks of SQLite what a unit needs and what it doesn't, and prints what it gets.
package main

import (
	"database/sql"
	"fmt"
	"os"

	_ "modernc.org/sqlite"
)

func main() {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for _, query := range os.Args[1:] {
		var got any
		err := db.QueryRow(query).Scan(&got)
		fmt.Println(got, err)
	}
}
