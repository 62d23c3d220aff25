"""What truly happened in a drive: definitions, and proposals for drives nobody labelled yet.

``propose(recording, config)`` looks at a drive forwards and backwards, which knows speed and slip
far better than anybody could while it drove, and applies the definitions of
``slipguard.label.define``.
"""

from slipguard.label.propose import Proposal, Proposals, propose

__all__ = ["Proposal", "Proposals", "propose"]
