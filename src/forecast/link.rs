//! What a link carries: goodput from line speed and frame arithmetic, and which way bytes go.
//!
//! The sums are those of RFC 6349 section 4.1.1 (framework for TCP throughput testing, 2011), with
//! the frame overhead of IEEE 802.3 as quoted there. They are ceilings: no link does better, a
//! slow disk or processor does worse.

use crate::trouble::Trouble;
use crate::units::{LinkSpeed, Rate};

/// Preamble 7, start delimiter 1, Ethernet header 14, checksum 4, gap between frames 12
/// (RFC 6349 section 4.1.1, quoting IEEE 802.3).
const ETHERNET_OVERHEAD: u32 = 38;
/// One IEEE 802.1Q tag (common practice, no source at hand).
const VLAN_TAG: u32 = 4;
const IPV4_HEADER: u32 = 20;
const IPV6_HEADER: u32 = 40;
const TCP_HEADER: u32 = 20;
/// The timestamps option padded to four bytes (RFC 7323 appendix A).
const TCP_TIMESTAMPS: u32 = 12;
/// The smallest packet every IPv4 host must accept (RFC 791); nothing smaller is a setting meant.
const MTU_MIN: u32 = 576;
const MTU_MAX: u32 = 65_535;

/// How bytes are packed on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Framing {
    /// Largest packet in bytes, headers of IP and TCP included: 1500, or 9000 with jumbo frames.
    pub mtu: u32,
    /// Bytes on the wire per frame beside the packet: 38 on Ethernet.
    pub overhead: u32,
    /// Headers of IP and TCP inside each packet.
    pub headers: u32,
}

/// The machine that Poolward runs on, which decides what crosses which link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunsOn {
    /// On the new server: each byte comes in once, verification is local.
    Pool,
    /// On the old box: each byte goes out once, verification reads it back over the link.
    Source,
    /// On a machine in between: each byte comes in and goes out, and comes in again to be verified.
    Between,
}

impl Framing {
    /// Ethernet with IPv4 and TCP timestamps, which current systems send unasked.
    pub fn ethernet(mtu: u32) -> Framing {
        Framing {
            mtu,
            overhead: ETHERNET_OVERHEAD,
            headers: IPV4_HEADER + TCP_HEADER + TCP_TIMESTAMPS,
        }
    }

    /// The same without TCP timestamps, as the tables of RFC 6349 count.
    pub fn without_timestamps(mut self) -> Framing {
        self.headers = self.headers.saturating_sub(TCP_TIMESTAMPS);
        self
    }

    /// The same over IPv6.
    pub fn ipv6(mut self) -> Framing {
        self.headers = self.headers.saturating_add(IPV6_HEADER - IPV4_HEADER);
        self
    }

    /// The same with one VLAN tag in each frame.
    pub fn tagged(mut self) -> Framing {
        self.overhead = self.overhead.saturating_add(VLAN_TAG);
        self
    }

    /// Ethernet at an MTU as typed, 576 to 65,535 bytes.
    ///
    /// # Errors
    /// `bad-mtu` outside that range.
    pub fn checked(mtu: u64) -> Result<Framing, Trouble> {
        match u32::try_from(mtu) {
            Ok(mtu) if (MTU_MIN..=MTU_MAX).contains(&mtu) => Ok(Framing::ethernet(mtu)),
            _ => Err(Trouble::usage(
                "bad-mtu",
                format!("an MTU of {mtu} is outside {MTU_MIN} to {MTU_MAX} bytes"),
            )
            .mend("Write 1500, or 9000 where every switch and adapter on the path has jumbo frames.")),
        }
    }

    /// Bytes of a file in each full frame.
    fn payload(self) -> u64 {
        u64::from(self.mtu.saturating_sub(self.headers))
    }

    /// Bytes of line time each full frame takes.
    fn on_wire(self) -> u64 {
        u64::from(self.mtu) + u64::from(self.overhead)
    }
}

impl Default for Framing {
    /// Ethernet at MTU 1500.
    fn default() -> Framing {
        Framing::ethernet(1500)
    }
}

/// What a link of this speed carries in file bytes per second, rounded down.
pub fn goodput(speed: LinkSpeed, framing: Framing) -> Rate {
    let wire = u128::from(framing.on_wire());
    if wire == 0 {
        return Rate(0);
    }
    let rate = u128::from(speed.0) * u128::from(framing.payload()) / (wire * 8);
    Rate(u64::try_from(rate).unwrap_or(u64::MAX))
}

/// The speed of a path through an emulated network adapter: an emulated 1 Gbit/s adapter in a
/// virtual machine holds the path at its own speed however fast the cable is (common practice, no
/// source).
pub fn through_adapter(cable: LinkSpeed, adapter: Option<LinkSpeed>) -> LinkSpeed {
    adapter.map_or(cable, |a| a.min(cable))
}

/// Whole frames per second at full size, rounded down as in RFC 6349 section 4.1.1.
pub fn frames_per_second(speed: LinkSpeed, framing: Framing) -> u64 {
    match framing.on_wire().checked_mul(8) {
        Some(bits) if bits > 0 => speed.0 / bits,
        _ => 0,
    }
}

/// Bits that must be under way to keep the path full: round-trip time by bandwidth (RFC 6349
/// section 3.3.1). The time is in microseconds.
pub fn bandwidth_delay_bits(speed: LinkSpeed, round_trip_micros: u64) -> u64 {
    let bits = u128::from(speed.0) * u128::from(round_trip_micros) / 1_000_000;
    u64::try_from(bits).unwrap_or(u64::MAX)
}

/// What one connection carries where its window is the limit: window by 8 over round-trip time
/// (RFC 6349 section 3.3.1). `None` where the round trip takes no time, so nothing limits.
pub fn window_limited(window_bytes: u64, round_trip_micros: u64) -> Option<LinkSpeed> {
    let bits = u128::from(window_bytes) * 8 * 1_000_000;
    let speed = bits.checked_div(u128::from(round_trip_micros))?;
    Some(LinkSpeed(u64::try_from(speed).unwrap_or(u64::MAX)))
}

impl RunsOn {
    /// The word of the settings.
    pub fn as_str(self) -> &'static str {
        match self {
            RunsOn::Pool => "pool",
            RunsOn::Source => "source",
            RunsOn::Between => "between",
        }
    }

    /// Reads `pool`, `source` or `between`.
    ///
    /// # Errors
    /// `bad-runs-on` for any other word.
    pub fn parse(text: &str) -> Result<RunsOn, Trouble> {
        match text.trim() {
            "pool" => Ok(RunsOn::Pool),
            "source" => Ok(RunsOn::Source),
            "between" => Ok(RunsOn::Between),
            other => Err(
                Trouble::usage("bad-runs-on", format!("{other:?} is no machine to run on"))
                    .mend("Write pool, source or between."),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bytes;

    const MBIT: u64 = 1_000_000;

    fn mbit(n: f64) -> LinkSpeed {
        LinkSpeed((n * 1e6).round() as u64)
    }

    /// RFC 6349 table 3.3.1.
    #[test]
    fn bandwidth_delay_products_agree_with_rfc_6349() {
        let rows = [
            (1.536, 20_000, 30_720),
            (1.536, 100_000, 153_600),
            (44.21, 10_000, 442_100),
            (44.21, 25_000, 1_105_250),
            (100.0, 5_000, 500_000),
            (1_000.0, 100, 100_000),
            (10_000.0, 50, 500_000),
            (10_000.0, 300, 3_000_000),
        ];
        for (speed, round_trip, bits) in rows {
            assert_eq!(bandwidth_delay_bits(mbit(speed), round_trip), bits, "{speed}");
        }
    }

    /// RFC 6349 section 3.3.1; the figures there are cut to one decimal.
    #[test]
    fn window_limited_rates_agree_with_rfc_6349() {
        let rows = [
            (16_000, 5_000, 25.6),
            (16_000, 25_000, 5.1),
            (64_000, 15_000, 34.1),
            (128_000, 25_000, 40.9),
        ];
        for (window, round_trip, expected) in rows {
            let got = window_limited(window, round_trip).unwrap().0 as f64 / 1e6;
            assert!((got - expected).abs() <= 0.1, "{window} {round_trip}: {got}");
        }
        assert_eq!(window_limited(1, 0), None);
    }

    /// RFC 6349 section 4.1.1. The T3 line there has 8 bytes of overhead a frame.
    #[test]
    fn frame_rates_agree_with_rfc_6349() {
        let t3 = Framing {
            overhead: 8,
            ..Framing::ethernet(1500).without_timestamps()
        };
        let ethernet = Framing::ethernet(1500).without_timestamps();
        assert_eq!(frames_per_second(mbit(44.21), t3), 3_664);
        assert_eq!(frames_per_second(mbit(100.0), ethernet), 8_127);
        assert_eq!(frames_per_second(mbit(1_000.0), ethernet), 81_274);
        assert_eq!(frames_per_second(mbit(10_000.0), ethernet), 812_743);
        // The greatest TCP rates: 42.8 and 94.9 Mbit/s.
        assert_eq!(3_664 * t3.payload() * 8, 42_795_520);
        assert_eq!(8_127 * ethernet.payload() * 8, 94_923_360);
    }

    /// Derived from RFC 6349 section 4.1.1: speed by (MTU - headers) over (MTU + 38).
    #[test]
    fn goodputs_agree_with_frame_arithmetic() {
        let e = Framing::ethernet;
        let rows = [
            (e(1500).without_timestamps(), 949.2848),
            (e(1500), 941.4824),
            (e(1500).without_timestamps().tagged(), 946.8223),
            (e(1500).tagged(), 939.0402),
            (e(9000).without_timestamps(), 991.3698),
            (e(9000), 990.0420),
            (e(1500).ipv6(), 928.4785),
        ];
        for (framing, expected) in rows {
            for factor in [1u64, 10] {
                let got = goodput(LinkSpeed(1_000 * MBIT * factor), framing).0 as f64 * 8e-6;
                let expected = expected * factor as f64;
                assert!((got - expected).abs() < expected * 1e-6, "{framing:?}: {got}");
            }
        }
    }

    /// Derived: decimal terabytes at those goodputs, no cost per file.
    #[test]
    fn eighty_terabytes_over_one_gigabit_take_188_8_hours() {
        let rate = goodput(LinkSpeed(1_000 * MBIT), Framing::default());
        let hours = rate.time_for(Bytes(80_000_000_000_000)).secs_f64() / 3600.0;
        assert!((hours - 188.8275).abs() < 1e-3, "{hours}");
    }

    #[test]
    fn an_emulated_adapter_holds_a_fast_cable_back_and_never_speeds_a_slow_one_up() {
        let (one, ten) = (LinkSpeed(1_000 * MBIT), LinkSpeed(10_000 * MBIT));
        assert_eq!(through_adapter(ten, Some(one)), one);
        assert_eq!(through_adapter(one, Some(ten)), one);
        assert_eq!(through_adapter(ten, None), ten);
    }

    #[test]
    fn absurd_frames_carry_nothing_and_absurd_mtus_are_refused() {
        let none = Framing {
            mtu: 0,
            overhead: 0,
            headers: 0,
        };
        assert_eq!(goodput(LinkSpeed(MBIT), none), Rate(0));
        assert_eq!(frames_per_second(LinkSpeed(MBIT), none), 0);
        assert_eq!(goodput(LinkSpeed(MBIT), Framing::ethernet(40)), Rate(0));
        assert_eq!(Framing::checked(575).unwrap_err().code, "bad-mtu");
        assert_eq!(Framing::checked(u64::MAX).unwrap_err().code, "bad-mtu");
        assert_eq!(Framing::checked(9000).unwrap(), Framing::ethernet(9000));
        assert_eq!(RunsOn::parse("nas").unwrap_err().code, "bad-runs-on");
        for word in ["pool", "source", "between"] {
            assert_eq!(RunsOn::parse(word).unwrap().as_str(), word);
        }
    }
}
