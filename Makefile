# tickover: build, test and run. `make help` lists the targets.
GO        ?= go
DEMO      ?= 127.0.0.1:8425
FUZZTIME  ?= 20s
# Property tests draw from this seed; make soak draws new ones.
SEED      ?= 20260216
PKGS      := ./...
# Begun first, so that the others run beside them: both wait more than they
# work, for a browser and for processes that are killed and started.
SLOWEST   := ./services/floor ./cmd/tickover
# Packages tested at a time: one more than the two that wait.
AT_A_TIME ?= 3

.DEFAULT_GOAL := help
.PHONY: help run build test deps lint bench bench-scheduler bench-shop backtest verify-optimum faults fuzz licences soak demo bench-load pictures

help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

run: ## start everything with the demo shop at http://127.0.0.1:8425
	$(GO) run ./cmd/tickover demo --listen $(DEMO)

build: ## the one binary, in bin/
	$(GO) build -trimpath -o bin/tickover ./cmd/tickover

test: deps ## every test, with a real NATS server and Chromium
	$(GO) vet $(PKGS)
	RAPID_SEED=$(SEED) RAPID_NOFAILFILE=true $(GO) test -vet=off -p $(AT_A_TIME) -timeout 13m $(SLOWEST) $(PKGS)

deps: ## what the tests need from the system
	@./deploy/test-deps.sh

lint: ## gofmt, vet and staticcheck
	@out=$$(gofmt -l .); test -z "$$out" || { echo "not gofmt-ed: $$out"; exit 1; }
	$(GO) vet $(PKGS)
	$(GO) run honnef.co/go/tools/cmd/staticcheck@v0.8.2 $(PKGS)

bench: ## benchmarks (figures are in DEVELOPERS.md)
	$(GO) test -run '^$$' -bench . -benchmem $(PKGS)

bench-scheduler: ## the planner on open sets: DATA=DIR [SETS=a,b] [SCHEDULES=1000,5000] [SECONDS=0.1,10] [THREADS=N] [CSV=FILE]
	@test -n "$(DATA)" || { echo "say where the sets are: make bench-scheduler DATA=DIR"; exit 1; }
	$(GO) run ./cmd/tickover measure --data "$(DATA)" $(if $(SETS),--sets "$(SETS)") $(if $(SCHEDULES),--schedules "$(SCHEDULES)") $(if $(SECONDS),--seconds "$(SECONDS)") $(if $(THREADS),--threads "$(THREADS)") $(if $(CSV),--csv "$(CSV)")

bench-shop: ## the planner and rules by hand over simulated weeks: [WEEKS=40] [LUCK=6] [SEED=1] [SCHEDULES=150] [CSV=FILE]
	$(GO) run ./cmd/benchshop --weeks $(or $(WEEKS),40) --luck $(or $(LUCK),6) $(if $(filter command line,$(origin SEED)),--seed $(SEED)) $(if $(SCHEDULES),--schedules $(SCHEDULES)) $(if $(CSV),--csv "$(CSV)")

backtest: ## promises held against what became of them, over 2,000 simulated units: [SHOPS=5] [DAYS=110] [CSV=FILE] [SVG=FILE], or over a stopped shop's log: DATA=DIR SITE=NAME
	$(GO) run ./cmd/backtest $(if $(SHOPS),--shops $(SHOPS)) $(if $(DAYS),--days $(DAYS)) $(if $(CSV),--csv "$(CSV)") $(if $(SVG),--svg "$(SVG)") $(if $(DATA),--data "$(DATA)" --site "$(SITE)")

verify-optimum: ## prove the small shop instances again with an exact solver (needs node and npm)
	@dir=$$(mktemp -d) && trap 'rm -rf "$$dir"' EXIT && \
	npm install --silent --no-audit --no-fund --prefix "$$dir" minizinc@4.5.1 && \
	$(GO) run ./cmd/oracle verify --minizinc "$$dir"

bench-load: ## 200 sites with 100 open units each, beside the bare log: [SITES=200] [UNITS=100] [CALLERS=16] [SECONDS=20] [ROUNDS=3]
	LOAD_SITES=$(or $(SITES),200) LOAD_UNITS=$(or $(UNITS),100) LOAD_CALLERS=$(or $(CALLERS),16) LOAD_SECONDS=$(or $(SECONDS),20) $(GO) test -run '^$$' -bench Load -benchtime $(or $(ROUNDS),3)x -timeout 60m ./services/node

faults: ## kill, cut off, flush and damage real processes; prints what was measured; FAULT=TestDeploymentFaults/leader_cut_off: that one alone
	TICKOVER_FAULTS=1 $(GO) test -count=1 -timeout 30m -v -run '$(or $(FAULT),TestDeployment|TestKillAtAnyMoment)' ./cmd/tickover | grep -v '^=== '
	$(if $(FAULT),@true,$(GO) test -count=1 -timeout 30m -run 'Full|Disk|Damage|Torn|Kill|Cluster|ServerGone|LostAck|CutOff|Leader' ./queue/log)

pictures: deps ## every page and every step of the browser tests as PNG: OUT=DIR
	@test -n "$(OUT)" || { echo "say where to: make pictures OUT=DIR"; exit 1; }
	TICKOVER_LOOKS=all TICKOVER_ARTEFACTS="$(abspath $(OUT))" $(GO) test -count=1 -timeout 60m ./services/floor

fuzz: ## each fuzz target for FUZZTIME
	@./deploy/fuzz.sh $(FUZZTIME)

licences: ## list the dependencies with their licences in deploy/licences.csv
	$(GO) test . -run TestLicences -args -update-licences

soak: ## the long runs: 200,000 command sequences, 200 simulated days, 2,000 with faults, the race detector
	TICKOVER_SEQUENCES=200000 $(GO) test -timeout 60m -run 'TestNothingUnsafeIsEverRecorded' -v ./queue
	TICKOVER_DAYS=200 $(GO) test -timeout 120m -v ./services/simshop
	TICKOVER_FAULT_DAYS=2000 TICKOVER_SEED=$$(date +%s) $(GO) test -timeout 120m -v -run 'TestFaults' ./services/faultsim
	RAPID_CHECKS=2000 $(GO) test -timeout 60m ./scheduler/... ./services/dispatch
	$(GO) test -race -timeout 60m $(PKGS)
