//! The image of a card's own memory, which holds its addresses and settings: what of it is the same on every card of a
//! lot, and the sum that its maker has the driver check.

use serde::{Deserialize, Serialize};

/// What is kept of an image.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImageFacts {
    /// Its length, bytes.
    pub bytes: u32,
    /// SHA-256 of all of it, in hexadecimal.
    pub sha256: String,
    /// SHA-256 with the card's addresses and the checksum words as zeros: the same on cards of one kind.
    pub masked_sha256: String,
    /// Whether the sum of its words is right; none where its maker states none that is known here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sum_right: Option<bool>,
}

/// The image without what differs from card to card: every place that holds one of the addresses, and the checksum
/// word where this driver's cards have one.
pub fn masked(image: &[u8], driver: &str, addresses: &[[u8; 6]]) -> Vec<u8> {
    let mut masked = image.to_vec();
    for address in addresses.iter().filter(|address| **address != [0; 6]) {
        for at in 0..image.len().saturating_sub(address.len() - 1) {
            if image[at..].starts_with(address) {
                masked[at..at + address.len()].fill(0);
            }
        }
    }
    if has_word_sum(driver)
        && let Some(word) = masked.get_mut(2 * SUM_WORDS - 2..2 * SUM_WORDS)
    {
        word.fill(0);
    }
    masked
}

/// Whether the first 64 words, low byte first, add up to what the maker states; none for other drivers' cards, and for
/// memory that is shorter or was never written.
///
/// "For checksumming, the sum of all words in the NVM should equal 0xBABA": the comment beside `NVM_SUM` in Linux,
/// drivers/net/ethernet/intel/e1000e/defines.h (from memory).
pub fn word_sum_right(image: &[u8], driver: &str) -> Option<bool> {
    let words = image.get(..2 * SUM_WORDS).filter(|words| has_word_sum(driver) && words.iter().any(|b| *b != 0xff))?;
    let words = words.as_chunks::<2>().0.iter().map(|word| u16::from_le_bytes(*word));
    Some(words.fold(0, u16::wrapping_add) == 0xbaba)
}

fn has_word_sum(driver: &str) -> bool {
    // Some cards of `igb` have no memory of their own, and the words that their driver shows then have no sum.
    matches!(driver, "e1000" | "e1000e")
}

/// Words that are added up; the last of them makes the sum right.
const SUM_WORDS: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    const ADDRESS: [u8; 6] = [0, 0, 0x5e, 0, 0x53, 0x10];

    fn image(last: u8) -> Vec<u8> {
        let mut image = vec![0x11; 256];
        image[..6].copy_from_slice(&ADDRESS);
        image[5] = last;
        let sum = image[..126].as_chunks::<2>().0.iter().fold(0u16, |sum, w| sum.wrapping_add(u16::from_le_bytes(*w)));
        image[126..128].copy_from_slice(&0xbaba_u16.wrapping_sub(sum).to_le_bytes());
        image
    }

    #[test]
    fn cards_of_one_kind_differ_in_address_and_sum_alone() {
        let (one, two) = (image(0x10), image(0x11));
        let mut other = ADDRESS;
        other[5] = 0x11;
        assert_ne!(one, two);
        assert_eq!(masked(&one, "e1000e", &[ADDRESS]), masked(&two, "e1000e", &[other]));
        assert_ne!(masked(&one, "harbour", &[ADDRESS]), masked(&two, "harbour", &[other]), "no known checksum word");
        let mut changed = image(0x11);
        changed[200] ^= 1;
        assert_ne!(masked(&changed, "e1000e", &[other]), masked(&two, "e1000e", &[other]));
        assert_eq!(masked(&[1, 2, 3], "e1000e", &[ADDRESS]), [1, 2, 3]);
    }

    #[test]
    fn the_sum_is_checked_where_the_maker_states_one() {
        let mut image = image(0x10);
        assert_eq!(word_sum_right(&image, "e1000e"), Some(true));
        image[40] ^= 1;
        assert_eq!(word_sum_right(&image, "e1000"), Some(false));
        assert_eq!(word_sum_right(&image, "harbour"), None);
        assert_eq!((word_sum_right(&image[..100], "e1000"), word_sum_right(&[0xff; 128], "e1000")), (None, None));
        assert_eq!(word_sum_right(&image, "igb"), None);
    }
}
