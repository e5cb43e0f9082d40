//! Accounts, what stands for them, and what bounds them.

mod attacks;
mod bounds;
mod endings;
mod invitations;
mod login;
mod members;
mod operator;
mod refresh;
mod sessions;
mod sharing;
