// Package config reads spillway.toml and the environment into one typed, validated Config. It opens files and nothing
// else; it does not dial. Its errors name file, line and key, and say what to do, and there may be several at once.
//
// Reading goes in four steps, a file of this package each:
//
//  1. toml.go reads the file strictly into a tree in which every value knows its line: syntax, duplicate keys.
//  2. strict.go holds the tree against the table of keys (schema.go): unknown keys, letter case, tables in wrong places.
//     Variables (env.go) go through the same sieve.
//  3. layers.go lets viper lay the environment and the flags over the file. viper alone folds the case of keys and knows
//     no lines, so what it is given to merge are the tree's own leaves.
//  4. The read files build the Config out of what is left, and check each value and each name that refers to another.
//
// Rules that DESIGN leaves open and that are decided here: paths are relative to the folder of the file that names them;
// a variable that names a table or a list replaces the whole of it and is written as TOML; names start with a letter,
// and no name has two underscores in a row, which separate levels in the environment; an empty variable is not set.
package config
