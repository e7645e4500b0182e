package ingest_test

import (
	"path/filepath"
	"strings"
	"testing"

	"hoistward/ingest/testnames"
)

// knownFaults are the faults that systems of this kind are known to have, of those that
// touch MQTT, Sparkplug B, WITS level 0, values and time, each with the tests that hold
// it off: "folder: name of the test". Beside each stands the behaviour that is right.
var knownFaults = []struct {
	fault, right string
	tests        []string
}{
	{"the link is back, its subscriptions are not", "it subscribes with each link; a link without data is a state of its own",
		[]string{"ingest/mqtt: TestSubscribesAgainAfterEachLostLink", "ingest/mqtt: TestQuietIsAStateOfItsOwn"}},
	{"a slow reader stops the pings, and the link dies unseen", "the handler only copies into a bounded queue; what is discarded is counted",
		[]string{"ingest/mqtt: TestReaderThatStopsNeverHoldsUpTheLink", "ingest/mqtt: TestPulledCableIsSeen", "ingest/mqtt: TestQueueIsASliceWithLimits"}},
	{"a refused subscription looks granted", "each granted code is looked at; a topic that is held back is named",
		[]string{"ingest/mqtt: TestRefusedSubscriptionIsAStateOfItsOwn", "ingest/mqtt: TestTopicGrantedButHeldBackIsNamed", "ingest/mqtt: TestLesserQoSIsTold"}},
	{"a broker that is absent at the start is never tried again", "readings flow within one pause once it is there",
		[]string{"ingest/mqtt: TestBrokerThatStartsLater", "cmd/hoistward: TestBrokerAbsentThenThereThenLost"}},
	{"two clients of one id throw each other out for ever", "ids differ; a contest is told and slows down",
		[]string{"ingest/mqtt: TestTwoClientsOfOneIDAreToldAndSlowDown", "ingest/mqtt: TestIDsDifferByDefault"}},
	{"publishing without a link waits for ever, or succeeds into nothing", "it ends in time and says not delivered; the state is published again with the link",
		[]string{"ingest/mqtt: TestPublishWithoutALinkSaysNotDelivered", "ingest/mqtt: TestPublishIntoAPulledCableEndsInTime", "alarms/notify: TestBrokerRestart"}},
	{"a message that is sent again counts twice, or is thrown away unseen", "by its time it counts once, whatever its mark",
		[]string{"ingest/mqtt: TestSampleSentAgainCountsOnce"}},
	{"payloads that cannot be read use up what is in flight", "all are counted, the good one behind them is used",
		[]string{"ingest/mqtt: TestBadPayloadsDoNotStopTheInput", "ingest/payload: TestTwoThousandBadPayloadsLeaveNothingBehind"}},
	{"a topic with a space breaks the broker's link again and again", "it is never sent, and refused in the site file",
		[]string{"ingest/mqtt: TestTopicThatABrokerChokesOnIsNeverSent", "configs: TestTopicsThatCannotWork"}},
	{"retained messages pile up, or come old", "one a topic, the newest, over a restart",
		[]string{"ingest/mqtt/broker: TestOneRetainedMessageATopicSurvivesARestart"}},
	{"the broker acknowledges before the disk has it", "the embedded one syncs each write; the recorder rests on no broker",
		[]string{"ingest/mqtt/broker: TestWritesAreSyncedAndNothingButMQTTListens", "ingest/record: TestKilledProcessLosesNothingConfirmed"}},
	{"one slow subscriber stalls the broker, or is dropped without a word", "it is counted and told, and nobody else waits",
		[]string{"ingest/mqtt/broker: TestReaderThatDoesNotKeepUpIsCounted", "cmd/hoistward: TestFloodShedsTheOldestLoudlyAndRecovers", "ingest/mqtt: TestARigThatFloodsDelaysNoOther"}},
	{"what is queued at QoS 1 is lost or stuck over a restart of the broker", "all of it comes, each once",
		[]string{"ingest/mqtt/broker: TestQueuedForAnAbsentReaderOutlivesARestart"}},
	{"a will lies: offline for a moment, or online for ever", "a take-over raises nothing; what a broker kept is not the present",
		[]string{"alarms/watch: TestASenderThatTakesOverItsOwnLinkIsNotLost", "cmd/hoistward: TestWhatABrokerKeptOfADeadDeviceIsNotThePresent", "alarms/notify: TestKilledMonitorDoesNotLookAlive"}},

	{"negative integers of Sparkplug B become four thousand million", "the birth's datatype gives the sign; without one it is refused",
		[]string{"ingest/sparkplug: TestNegativeIntegerKeepsItsSignByTheBirthsDatatype", "ingest/sparkplug: TestUInt32IsReadFromTheIntAndTheLongField",
			"ingest/sparkplug: TestNumberWithoutDatatypeIsRefusedNotGuessed", "ingest/sparkplug: TestIntegersInEveryWidthAndField"}},
	{"data before a birth vanish, or a birth is asked for without end", "it is told, asked for once and then seldom; no old alias is used",
		[]string{"ingest/sparkplug: TestDataBeforeBirthIsShownAndAskedForOnceThenSeldom", "ingest/sparkplug: TestAliasThatNoBirthDefinedIsNotMapped",
			"ingest/sparkplug: TestNewBirthMakesTheOldAliasesVoid", "cmd/hoistward: TestEdgeNodeOfIndependentParts"}},
	{"a gap, a wrap or another order of the sequence is misread", "a wrap is nothing, a gap makes data suspect, order is healed in its window",
		[]string{"ingest/sparkplug: TestSequenceWrapsWithoutAWord", "ingest/sparkplug: TestLostMessageMakesTheDataSuspectUntilOneRebirth",
			"ingest/sparkplug: TestMessagesOutOfOrderAreHealedWithinTheWindow", "ingest/sparkplug: TestBirthWithAnySequenceNumberBeginsASession",
			"ingest/sparkplug: TestLateDataOfTheEarlierSessionAreNotUsed"}},
	{"null, NaN, an empty text or a missing value becomes a number", "no value, with its reason; the others are kept",
		[]string{"ingest/sparkplug: TestNoValueIsNeverANumberAndLeavesTheOthers", "ingest/sparkplug: TestDatatypesThatAreNoNumberAreRefused"}},

	{"frames of WITS are cut by reads, line ends or marks within text", "whole frames only, none joined over two connections, memory bounded",
		[]string{"ingest/wits: TestFraming", "ingest/wits: TestAnySplitGivesTheSameFrames", "ingest/wits: TestHalfFramesAreNotJoinedAcrossConnections",
			"ingest/wits: TestOnlyWholeFramesAreDecoded"}},
	{"units and zone of WITS are guessed", "they are the site's; record 23 that contradicts them stops the channel; kdaN is not kN",
		[]string{"ingest/wits: TestUnitsAreTheSiteFiles", "ingest/wits: TestRecord23IsHeldAgainstTheUnits", "ingest/wits: TestRecord23IsHeldAgainstTheZone",
			"ingest/wits: TestKdaNIsNotKN", "detect: TestSwappedUnitIsFound"}},
	{"numbers that stand for no value are plotted, averaged or converted", "they are tested before conversion, by source; real numbers like them are kept",
		[]string{"ingest/wits: TestBadItemsAreNeverNumbers", "ingest/wits: TestANullTakesNoPartInAMean", "ingest/sparkplug: TestNullNumberOfTheMappingIsNoValue"}},
	{"null in JSON keeps the last value", "each message starts from nothing",
		[]string{"ingest/payload: TestEachMessageStartsFromNothing", "ingest/payload: TestBadInputIsNeverANumber", "ingest/payload: TestOneBadChannelLeavesTheOthers"}},

	{"a value that stands still is shown as live", "age by receipt and by its own time; frozen is not lost, and told only in motion",
		[]string{"detect: TestFrozenWitness", "detect: TestSilenceIsBlind", "alarms/watch: TestAStampThatStandsStillIsToldAsLoss", "detect: TestOrdinaryWorkIsQuiet"}},
	{"a counter that wraps, restarts or is set to zero looks like motion", "differences by the counter's width; what cannot be makes the height void",
		[]string{"detect/hoist: TestEncoderDifference", "detect: TestCounterWrapIsMotion", "detect: TestCountJumpVoidsTheMap", "detect: TestCounterWidths"}},
	{"spikes at the slips, or filters that hide what is real", "a spike is told and not used, a step is used",
		[]string{"detect: TestSpikeIsSaidAndNotUsed", "detect: TestLoadStepIsUsed", "detect: TestSlipsStateStandsFirm"}},

	{"one stamp from the future blinds its channel", "beyond the limit the receipt counts, later readings are used, the offset is shown",
		[]string{"ingest/payload: TestStampFromTheFutureDoesNotBlindTheChannel", "ingest: TestSlowDriftIsToldAndNeverStops",
			"ingest: TestOffsetIsTheMedianOfTheNewestStamps", "ingest/sparkplug: TestTimesThatCannotBeBelieved"}},
	{"a clock that is set fires timers or stops them", "waiting is counted on a clock that never falls; the step is journalled",
		[]string{"alarms/watch: TestClockJumpsAreJournalled", "alarms: TestClockJumps", "ingest/record: TestClockJumpsOverDays", "ingest: TestClockSetBackIsAcceptedAtTheFifth"}},
	{"the night on which local clocks change", "UTC inside; local times with their offset, or asked for where they are of two instants",
		[]string{"ingest/record: TestDaysOnWhichLocalClocksChange", "ingest/fieldcsv: TestWrittenTimes"}},
	{"times that come twice or out of order overwrite and tear", "kept in the record and counted, not in the present; a hole is a hole",
		[]string{"ingest: TestRepeatedTimeKeepsTheFirst", "ingest: TestSwappedSamplesAreRefused", "dashboard/trend: TestGapsAreGaps"}},

	{"one bad source takes the others along", "decoders are fuzzed; one that panics is counted and left out",
		[]string{"alarms/watch: TestADecoderThatPanicsTakesNobodyAlong", "ingest/payload: FuzzDecode", "ingest/payload: FuzzFlat", "ingest/payload: FuzzNumber", "ingest/payload: FuzzPaths",
			"ingest/payload/lines: FuzzDecode", "ingest/sparkplug: FuzzParse", "ingest/sparkplug: FuzzDecode", "ingest/wits: FuzzFramer", "ingest/wits: FuzzDecode", "ingest/fieldcsv: FuzzReader",
			"ingest: TestNoDecoderGrowsWithWhatItReads"}},
}

// Each fault has its tests, and they exist under these names.
func TestEveryKnownFaultHasItsTests(t *testing.T) {
	there := map[string]map[string]bool{}
	seen := map[string]bool{}
	for _, f := range knownFaults {
		if seen[f.fault] || f.right == "" || len(f.tests) == 0 {
			t.Errorf("%q stands twice, or without what is right or its tests", f.fault)
		}
		seen[f.fault] = true
		for _, name := range f.tests {
			folder, test, ok := strings.Cut(name, ": ")
			if !ok {
				t.Fatalf("got %q, want a folder and a test", name)
			}
			if there[folder] == nil {
				there[folder] = testnames.In(t, filepath.Join("..", filepath.FromSlash(folder)))
			}
			if !there[folder][test] {
				t.Errorf("%s: %s has no %s", f.fault, folder, test)
			}
		}
	}
}
