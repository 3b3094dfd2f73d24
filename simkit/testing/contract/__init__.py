"""The contract test of cards, for anybody's card.

report = check_contract(MyCard)
assert report.problems == ()
print(report.not_exercised)  # what no script could try, e.g. a method that nothing calls
"""

from simkit.testing.contract.check import ContractReport, check_contract, together

__all__ = ["ContractReport", "check_contract", "together"]
