//! Hours of the week as configuration writes them: `mon-fri 07:00-18:00`, `sat,sun 22:00-06:00`, `daily 00:00-24:00`.
//!
//! Days are the first three letters of their English names, alone, as a range or separated by commas; a stretch that ends
//! before it begins goes past midnight and belongs to the day it begins on. Knows no time zone. Never panics.

use crate::plan::recipients::WEEK;

const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
const DAY: u16 = 24 * 60;

/// The stretches of one text, in minutes of the week.
pub(super) fn stretches(text: &str) -> Result<Vec<(u16, u16)>, String> {
    let (days, times) = text.trim().split_once(' ').ok_or("days and times are separated by a blank")?;
    let (from, to) = times.trim().split_once('-').ok_or("two times are separated by a dash")?;
    let (from, to) = (minute(from)?, minute(to)?);
    if from == DAY {
        return Err("no stretch begins at 24:00; write 00:00 of the next day".into());
    }
    if from == to {
        return Err("it begins and ends at the same time; write 00:00-24:00 for a whole day".into());
    }
    let days = days.split(',').map(days_of).collect::<Result<Vec<_>, _>>()?;
    let mut all: Vec<(u16, u16)> = days
        .into_iter()
        .flatten()
        .map(|day| {
            let end = if to > from { day * DAY + to } else { (day + 1) * DAY + to };
            // Sunday's night ends on Monday; a week that ends at its end needs no turn.
            (day * DAY + from, if end > WEEK { end - WEEK } else { end })
        })
        .collect();
    all.sort_unstable();
    all.dedup();
    Ok(all)
}

fn days_of(text: &str) -> Result<Vec<u16>, String> {
    if text == "daily" {
        return Ok((0..7).collect());
    }
    let day = |name: &str| {
        let known = DAYS.iter().position(|day| *day == name).and_then(|at| u16::try_from(at).ok());
        known.ok_or_else(|| format!("`{name}` is no day: {} or daily", DAYS.join(", ")))
    };
    let Some((first, last)) = text.split_once('-') else { return Ok(vec![day(text)?]) };
    let (first, last) = (day(first)?, day(last)?);
    let count = (last + 7 - first) % 7 + 1;
    Ok((0..count).map(|after| (first + after) % 7).collect())
}

/// `07:30`, up to `24:00`.
fn minute(text: &str) -> Result<u16, String> {
    let bad = || format!("`{text}` is no time from 00:00 to 24:00");
    let (hour, minute) = text.split_once(':').ok_or_else(bad)?;
    let number = |part: &str| {
        let digits = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
        part.parse::<u16>().ok().filter(|_| digits).ok_or_else(bad)
    };
    let (hour, minute) = (number(hour)?, number(minute)?);
    if minute > 59 || hour > 24 || (hour == 24 && minute > 0) { Err(bad()) } else { Ok(hour * 60 + minute) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_times() {
        assert_eq!(stretches("mon 07:00-18:00"), Ok(vec![(420, 1080)]));
        assert_eq!(stretches("sat-mon 08:00-09:00").map(|all| all.len()), Ok(3));
        assert_eq!(stretches("mon,wed 00:00-24:00"), Ok(vec![(0, 1440), (2880, 4320)]));
        assert_eq!(stretches("sun 22:00-06:00"), Ok(vec![(6 * 1440 + 1320, 360)]));
        assert_eq!(stretches("sun 22:00-24:00"), Ok(vec![(6 * 1440 + 1320, WEEK)]));
        assert_eq!(stretches("daily 00:00-24:00").map(|all| all.len()), Ok(7));
        for wrong in [
            "",
            "mon",
            "mon07:00-18:00",
            "mon 07:00",
            "mon 7:00-18:00",
            "mon 07:00-24:01",
            "mon 24:00-06:00",
            "mon 07:00-07:00",
            "Mon 07:00-08:00",
            "mon- 07:00-08:00",
            "mon 07:60-08:00",
            "mon +7:00-08:00",
            "mon 07:00–08:00",
            "mon;tue 07:00-08:00",
        ] {
            assert!(stretches(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_cut_and_flipped_bit_is_answered() {
        let text = "mon-fri 07:00-18:00";
        for end in 0..text.len() {
            assert!(stretches(&text[..end]).is_err(), "{end}");
        }
        let mut bytes = text.as_bytes().to_vec();
        for bit in 0..bytes.len() * 8 {
            bytes[bit / 8] ^= 1 << (bit % 8);
            if let Ok(flipped) = std::str::from_utf8(&bytes) {
                let _answered = stretches(flipped).map(|all| assert!(all.iter().all(|&(a, b)| a < WEEK && b <= WEEK)));
            }
            bytes[bit / 8] ^= 1 << (bit % 8);
        }
    }
}
