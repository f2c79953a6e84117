module kernel

go 1.26.7
