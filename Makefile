# roomsonde: what can be made. `make help` lists it.
.DEFAULT_GOAL := build
SHELL := bash

STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

# Tests that hold a sound server's clock run after the others, one at a time, so
# that they have the machine for themselves: package soundcard's, and those of the
# program that are named for it.
REAL := RealPath

help: ## what can be made
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1\t/' | expand -t 14

build: tools ## the program, as build/roomsonde
	go build -o build/roomsonde ./cmd/roomsonde

tools: ## install what building needs (PortAudio's headers), or say what to install
	@.ci/install build

demo: ## measure the built-in room: prints the reading, writes drawings, names the files
	@if .ci/install build; then go build -o build/roomsonde ./cmd/roomsonde; \
	else echo "Going on without a sound card: the built-in room needs none."; \
	     CGO_ENABLED=0 go build -o build/roomsonde ./cmd/roomsonde; fi
	build/roomsonde measure --device model --source left+sub --seat main --survey demo/survey --drawings demo/drawings
	@echo; echo "Open demo/drawings to look at them."

test: ## install what the tests need, and run all three rings: own, outside, real path
	@.ci/install test
	ROOMSONDE_RINGS=all go test -timeout 40m -skip '$(REAL)' $$(go list ./... | grep -v /capture/soundcard)
	ROOMSONDE_RINGS=all go test -timeout 40m -p 1 ./capture/soundcard/...
	ROOMSONDE_RINGS=all go test -timeout 40m -run '$(REAL)' ./cmd/roomsonde

race-detector: ## the own ring under Go's race detector
	go test -race ./sweep/... ./calibration/... ./capture/... ./deconv/... ./cmd/...

lint: ## formatting, vet, staticcheck
	@files=$$(gofmt -l .); if [ -n "$$files" ]; then echo "not formatted as gofmt does: $$files" >&2; exit 1; fi
	go vet ./...
	CGO_ENABLED=0 go vet ./...
	go run $(STATICCHECK) ./...

nocgo: ## build without cgo: everything but the sound card
	CGO_ENABLED=0 go build ./...

bench: ## benchmarks with allocations
	go test -run '^$$' -bench . -benchmem ./sweep ./calibration ./capture/wav ./capture/modelroom ./deconv/... ./cmd/...

bench-once: ## each benchmark once, to see that it runs
	go test -run '^$$' -bench . -benchtime 1x ./sweep ./calibration ./capture/wav ./deconv/... > /dev/null

race: ## the whole chain side by side with the same in NumPy and SciPy
	@.ci/install test
	go run ./cmd/roomsonde/internal/race

faults: ## thousands of takes of random rooms, with and without faults: what inspection finds
	go run ./cmd/roomsonde/internal/faults

clean: ## remove what was built and the demo
	rm -rf build demo

.PHONY: help build tools demo test race-detector lint nocgo bench bench-once race faults clean
