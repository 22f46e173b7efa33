//! The few calls of the operating system that the standard library does not have.

/// Ends a process group that this process started.
pub fn end_group(leader: u32) {
    let Ok(group) = i32::try_from(leader) else { return };
    if group > 1 {
        // SAFETY: takes no pointers. The group was made for a child of ours and carries its number; at worst it is
        // gone.
        unsafe { libc::killpg(group, libc::SIGKILL) };
    }
}
