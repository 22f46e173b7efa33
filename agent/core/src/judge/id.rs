//! The names of all rules and remarks, and the order in which they are asked.
//!
//! A new rule needs its variant here, at the place where it is to be asked. What it concludes and why stands in the
//! file of its matter; `docs/verdict.md` explains it.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Defines [`RuleId`] and the list of its variants together, so that neither can be forgotten.
macro_rules! rule_ids {
    ($($(#[doc = $text:literal])+ $name:ident,)+) => {
        /// Names a rule or remark of a run or of a case. Reports, records and `docs/verdict.md` write it in kebab case.
        ///
        /// The order of the variants is the order in which rules are asked: what makes every later figure meaningless
        /// comes first.
        #[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum RuleId {
            $($(#[doc = $text])+ $name,)+
            /// A rule of another version of this program: its name as a stored document has it.
            #[serde(untagged)]
            Other(String),
        }

        impl RuleId {
            /// Every rule and remark of this program, in the order in which they are asked.
            pub const ALL: &[Self] = &[$(Self::$name),+];
        }
    };
}

rule_ids! {
    // Nothing was tested.
    /// The host did not let the run begin, or go on.
    Refused,
    /// The last stage of the case tested nothing.
    StageNotTested,
    /// The host uses the port.
    InService,
    /// Frames of another station came in.
    ForeignTraffic,
    /// Bytes came in before any were sent.
    ForeignBytes,

    // The port went away or was changed, or there is no way through it at all.
    /// The host lost the port.
    PortGone,
    /// The run took far longer than planned and was cut off.
    TookTooLong,
    /// Somebody on this computer changed the port during the run.
    Reconfigured,
    /// There was no link, or no byte, from the first probe on, and nothing shows that a plug is fitted.
    LoopOpen,
    /// There was no link before the first probe.
    NoLink,
    /// The link went down and stayed down.
    LinkLost,
    /// Bytes or frames came back at first, and then no more.
    WentSilent,
    /// The adapter did not transmit what it was given.
    NotTransmitted,
    /// No probe left.
    NothingSent,
    /// Every frame came back damaged.
    NothingIntact,
    /// Echoes came back later than a plug or cable can explain.
    EchoesLate,
    /// Frames left and none came back.
    NothingReturned,
    /// Bytes left and none came back.
    NoBytesReturned,

    // Something came back, and some of it wrong.
    /// A stage of the case was damaged inside this computer.
    HostFails,
    /// Frames came back twice, out of order, or all changed in the same way.
    NotAPlainLoop,
    /// Frames were damaged after the adapter had found their check right.
    DamagedAfterCheck,
    /// The link dropped and came back.
    LinkFlapped,
    /// For one stretch in the middle of the run nothing came back, and hardly anything else failed.
    SilentOnce,
    /// More bits are wrong than the limit allows, or more frames failed.
    BitErrors,
    /// More frames were lost than the limit allows, where bits are counted.
    FramesLost,
    /// Frames came back shorter or longer.
    FramesCut,
    /// More bytes are wrong than the limit allows.
    BytesDamaged,
    /// More characters came in with a wrong stop or parity bit than the limit allows.
    CharactersInError,
    /// More bytes were lost than the limit allows.
    BytesLost,
    /// Bytes came in that were not sent.
    BytesInserted,
    /// Data comes back and no modem line moves.
    PlugJoinsDataOnly,
    /// A modem line does not do what the plug makes it do.
    ModemLines,
    /// Clear to send does not hold and release the sender.
    FlowControl,
    /// A format or a lower speed fails.
    FormatFails,

    // Stages of a case, from the inside out.
    /// The case begins with the loop inside the chip.
    InternalFirst,
    /// The loop inside the chip fails.
    InternalFails,
    /// The adapter's own counts name the port.
    PortSilent,
    /// The plug in the port itself fails: port or plug.
    PortOrPlug,
    /// A nearer place fails though a farther one passes.
    PlacesDisagree,
    /// A place beyond the port fails.
    SegmentFails,
    /// A stage of a case: a place on the cable neither passes nor fails.
    CableUnclear,
    /// A stage of a case: nothing fails so far, and places farther out are left to try.
    CableNext,
    /// The cable test excludes what the stages say.
    CableTestContradicts,

    // No fault stands: is the limit proved?
    /// Some seconds failed far beyond the limit, though the mean did not.
    ComesAndGoes,
    /// This computer lost too much to judge the line.
    HostLimited,
    /// Bytes went missing, and this computer may have lost them uncounted.
    LostAtFullPace,
    /// On two wires the port hears itself, whatever the cable does.
    HearsItself,
    /// A size of the plan left or came back not once.
    SizeNotTested,
    /// A run was ended by hand before its plan was done.
    CutShort,
    /// The limit is proved.
    LimitProved,
    /// No stage of the case fails.
    AllPass,
    /// Beyond the limit, in too few hits to blame anybody.
    FewHits,
    /// Neither proved nor refuted.
    TooFewBits,
    /// No rule fits.
    NoRule,
    /// A technician said what the stage showed.
    Answered,

    // Remarks on a run.
    /// The counts contradict each other: a mistake of this program, not of the line.
    CountsDoNotBalance,
    /// The speed was forced because the port could not link to itself at its own.
    ForcedSpeed,
    /// The rate was lowered because this computer lost something.
    HostSlowed,
    /// Bytes were lost inside this computer.
    LostInHost,
    /// The run ended before its plan did.
    StoppedEarly,
    /// What the same port does with the loop elsewhere.
    ConfirmedElsewhere,
    /// What kind of damage the wrong bits are.
    DamageKind,
    /// The levels of the line are exchanged.
    LineInverted,
    /// The plug says nothing of the modem lines.
    LinesNotJudged,
    /// How the port heard itself on two wires.
    HalfDuplex,
    /// The port has no modem lines.
    NoModemLines,
    /// The driver counts no line errors.
    NoCounts,
    /// The plug has the ring indicator wired.
    RingWired,
    /// No break came round.
    Break,
    /// The highest speed without error.
    HighestSpeed,

    // Remarks on a case.
    /// Only two of four pairs were tested.
    TwoPairs,
    /// Only 1000 Mb/s fails: which pairs that leaves.
    PairsLost,
    /// Which pairs the stage at 100 Mb/s leaves.
    WhichPairs,
    /// What the cable test found.
    CableTest,
    /// The length of the cable.
    CableLength,
    /// Stages taken from records.
    FromRecords,
    /// Stages that the technician left out or set aside.
    LeftOut,
    /// A second port and its cord take the place of the plug.
    ReturnPort,

    // Cards on the bench. The first that speaks decides.
    /// Tests of the procedure have not been done.
    CardTestsMissing,
    /// A plug or slot must be exchanged before a failure can be put on anything.
    CardExchange,
    /// A failure went away, and nothing that was exchanged explains it.
    CardUnexplained,
    /// Another card bears the same address, and nobody read the sticker.
    CardAddressShared,
    /// The card is not what its source says.
    CardClaim,
    /// An address that no card can have, or one that is not in use.
    CardAddress,
    /// The addresses of the card's ports do not follow each other.
    CardAddressRow,
    /// The sticker names another address.
    CardSticker,
    /// The checksum of the vital product data is wrong.
    CardVpd,
    /// The sum of the words of the card's own memory is wrong.
    CardImage,
    /// The light of a port does not blink, or another port's does.
    CardLight,
    /// The driver's own self-test fails.
    CardSelfTest,
    /// A port gets no link, or not in time.
    CardLink,
    /// A port's link drops.
    CardLinkDrops,
    /// A port's error ratio is beyond the limit.
    CardData,
    /// A port fails while all ports of the card send, though it passes alone.
    CardAllPorts,
    /// Frames are damaged behind the frame check.
    CardDamages,
    /// The card computes something wrongly in place of the host.
    CardOffload,
    /// Frames that a queue should carry never come back.
    CardQueue,
    /// A receive queue raises no interrupt for the frames that come in on it.
    CardQueueInterrupt,
    /// A transceiver sends too little light.
    CardSendsWeak,
    /// A transceiver receives too little light.
    CardReceivesWeak,
    /// The card gets too hot.
    CardHot,
    /// The card is slower than line, bus and bench allow.
    CardSlow,
    /// The card gets slower as it warms.
    CardSlows,
    /// A port loses frames under load.
    CardLoses,
    /// The bus is narrower or slower than card and slot can do.
    CardBus,
    /// The bus counts errors.
    CardBusErrors,
    /// What the hours of load prove.
    CardBurnIn,
    /// The card is fit, but not for everything.
    CardLimited,
    /// Every test of the procedure passed.
    CardAccepted,

    // Remarks on a card.
    /// A plug or slot was set aside, since a failure went away with it.
    BenchSetAside,
    /// The bench was not proved by its reference card.
    BenchUnproved,

    // Lots on the bench.
    /// Cards of the lot have no grade yet.
    LotUnfinished,
    /// More cards are faulty than the lot may have.
    LotRejected,
    /// The sample is good enough: the lot is accepted.
    LotAccepted,
    /// Every card of a lot without a sampling plan has a grade of its own.
    LotGraded,
}

impl RuleId {
    /// Whether the port is used by somebody else: it is left alone until it is free.
    pub fn means_in_use(&self) -> bool {
        matches!(self, Self::InService | Self::ForeignTraffic | Self::ForeignBytes)
    }

    /// Whether only a longer run can decide what this rule left open.
    pub fn asks_longer(&self) -> bool {
        matches!(self, Self::TooFewBits | Self::FewHits)
    }

    /// Whether the frames or blocks that failed are what this rule speaks of. A wrong modem line, flow control or
    /// format is none of them, and a line on which no byte came back is given up after a few blocks.
    pub fn is_counted_in_units(&self) -> bool {
        !matches!(self, Self::ModemLines | Self::FlowControl | Self::FormatFails | Self::NoBytesReturned)
    }

    /// Whether a hand on the plug or a hit from outside can cause this once; the second time, it is a failure.
    pub fn is_excused_once(&self) -> bool {
        matches!(self, Self::LinkLost | Self::LinkFlapped | Self::SilentOnce | Self::ComesAndGoes)
    }
}

impl fmt::Display for RuleId {
    /// Writes the name as documents have it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_written_and_read_as_stored_documents_have_it() {
        for (id, name) in [
            (RuleId::InService, "in-service"),
            (RuleId::NotAPlainLoop, "not-a-plain-loop"),
            (RuleId::Other("of-next-year".into()), "of-next-year"),
        ] {
            assert_eq!(id.to_string(), name);
            assert_eq!(serde_json::to_value(&id).unwrap(), name);
            assert_eq!(serde_json::from_value::<RuleId>(name.into()).unwrap(), id);
        }
        for id in RuleId::ALL {
            assert_eq!(&serde_json::from_value::<RuleId>(id.to_string().into()).unwrap(), id);
        }
    }

    #[test]
    fn every_rule_and_remark_has_its_row_in_the_documentation() {
        let text = include_str!("../../../../docs/verdict.md");
        for id in RuleId::ALL {
            assert!(text.contains(&format!("\n| `{id}` | ")), "docs/verdict.md has no row for `{id}`");
        }
    }
}
